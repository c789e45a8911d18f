"use strict";
// The page to work with: asks the session by JSON, shows what it answers, decides nothing itself.
(() => {
  const $ = id => document.getElementById(id);
  const make = (tag, attributes = {}, ...inside) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (value === null || value === undefined || value === false) continue;
      if (name === "class") element.className = value; else if (name === "text") element.textContent = value;
      else element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...inside);
    return element;
  };
  const SVG = "http://www.w3.org/2000/svg";
  const shape = (tag, attributes, text) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
  const signed = (value, digits = 2) => { const text = Math.abs(value).toFixed(digits); return (Number(text) === 0 ? "" : value > 0 ? "+" : "−") + text; };
  const plural = (count, what) => `${count} ${what}${count === 1 ? "" : "s"}`;

  let opened, choices, survey, figures = null;
  const view = {step: "frames", shot: 0, frame: null, alone: false, at: 0, bitmaps: {}, of: "", inks: {}, look: null};
  const correcting = () => ["targets", "picture", "write"].includes(view.step);
  const grade = () => view.shot ? null : survey.frames.find(each => each.frame === view.frame) || null;

  // ---------------------------------------------------------------- asking
  let asking = 0;
  const busy = by => {
    asking += by;
    clearTimeout(busy.later);
    if (asking) busy.later = setTimeout(() => { $("timing").textContent = "working …"; }, 400);
    else if ($("timing").textContent === "working …") $("timing").textContent = "";
  };
  async function ask(name, record) {
    busy(1);
    try { return await asked(name, record); } finally { busy(-1); }
  }
  async function asked(name, record) {
    const answer = await fetch(name, record === undefined ? {} :
      {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(record)});
    if (answer.headers.get("content-type") === "application/octet-stream") return {status: answer.status, bytes: await answer.arrayBuffer()};
    return {status: answer.status, record: await answer.json()};
  }
  function trouble(sentence) {
    $("trouble").hidden = !sentence;
    if ($("trouble").textContent !== (sentence || "")) $("trouble").textContent = sentence || "";
  }
  const gone = () => trouble("The page can't reach huewright any more; start it again in the terminal and open the address that it prints.");

  // One question on its way at a time; of those that came meanwhile the last counts. What is fine comes when all is quiet.
  let wanted = null, working = false, quiet = 0;
  function want({solve = false, before = false} = {}) {
    const was = wanted || {solve: false, before: false};
    wanted = {solve: was.solve || solve, before: was.before || before, since: performance.now()};
    pump();
  }
  async function pump() {
    if (working || !wanted) return;
    working = true;
    while (wanted) {
      const now = wanted;
      wanted = null;
      clearTimeout(quiet);
      try { await look(now, false); } catch { gone(); }
    }
    working = false;
    quiet = setTimeout(settle, 800);
  }
  async function settle() {
    if (working || wanted) return;
    working = true;
    try {
      if (correcting()) {
        await look({since: performance.now()}, true);
        if (!wanted) await figure();
      }
    } catch { gone(); }
    working = false;
    if (wanted) pump();
  }
  async function look(now, fine) {
    const key = `${view.shot}/${view.frame}`;
    const fresh = view.of !== key;
    const parts = [];
    const solved = correcting() && survey.usable;
    if (solved) parts.push("after", "scopes");
    if (fresh || now.before || !view.bitmaps.before || fine) parts.push("before");
    if (!solved || fresh || now.before || fine || !view.inks.waveform_before) parts.push("scopes_before");
    const width = clamp(Math.ceil($("stage").clientWidth * devicePixelRatio / 64) * 64, 320, fine ? 1920 : 1280);
    const alone = view.alone && !view.shot && Boolean(grade()) && grade().verdict !== "no card";
    const asked = {frame: view.frame, shot: view.shot, width, parts, alone, fine};
    const {status, bytes, record} = await ask("look", {choices, asked});
    if (record) {
      if (!record.superseded) {
        trouble(record.sentence);
        if (solved) { view.bitmaps.after = null; view.of = ""; if (fresh || !view.bitmaps.before) await plain(asked, key); draw(); }
      }
      return;
    }
    await received(bytes, key, alone);
    if (status === 200) trouble(survey.usable || !correcting() ? "" : survey.advice);
    if (!fine) said(now, width);
  }
  async function plain(asked, key) {      // the frame as it is, where nothing corrected can be had
    const {bytes} = await ask("look", {choices, asked: {...asked, parts: ["before"]}});
    if (bytes) await received(bytes, key, false);
  }
  async function received(bytes, key, alone) {
    const length = new DataView(bytes).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
    let at = 4 + length;
    if (view.of !== key) { view.bitmaps = {}; view.inks = {}; }
    for (const part of head.parts) {
      const piece = new Uint8Array(bytes, at, part.bytes);
      at += part.bytes;
      if (part.kind === "jpeg") view.bitmaps[part.name] = await createImageBitmap(new Blob([piece], {type: "image/jpeg"}));
      else view.inks[part.name] = {shape: part.shape, ink: piece};
    }
    Object.assign(view, {of: key, look: head, aloneShown: alone});
    commands(head.commands);
    draw();
    drawScopes();
    landing();
  }
  function said(now, width) {
    requestAnimationFrame(() => setTimeout(() => {
      const ms = Math.round(performance.now() - now.since);
      $("timing").textContent = `${Math.min(width, view.look.size[0])} px wide, drawn in ${ms} ms`;
      document.documentElement.dataset.drawn = ms;
      document.documentElement.dataset.count = 1 + Number(document.documentElement.dataset.count || 0);
    }));
  }
  async function figure() {
    if (!survey.usable) { figures = null; known(); return; }
    const {status, record} = await ask("figures", {choices});
    if (record.superseded) return;
    figures = status === 200 ? record : null;
    if (status !== 200) trouble(record.sentence);
    known();
  }
  async function resurvey() {
    const {status, record} = await ask("survey", {choices}).catch(() => ({status: 0, record: {}}));
    if (status === 0) { gone(); return false; }
    if (record.superseded) return false;
    if (status !== 200) { trouble(record.sentence); return false; }
    trouble("");
    survey = record;
    commands(record.commands);
    showSurvey();
    return true;
  }
  async function choose(by_hand) {
    const was = choices;
    choices = {...choices, by_hand};
    if (!await resurvey()) { choices = was; showSurvey(); }
    want({solve: true});
  }

  // ---------------------------------------------------------------- steps
  const steps = [...document.querySelectorAll(".step")];
  function open(name) {
    view.step = name;
    for (const step of steps) {
      const mine = step.dataset.step === name;
      step.querySelector("h2 button").setAttribute("aria-expanded", mine);
      step.querySelector(".body").hidden = !mine;
    }
    draw();
    const head = steps.find(step => step.dataset.step === name), top = head.getBoundingClientRect().top, covered = matchMedia("(max-width:60rem)").matches ? $("seen").offsetHeight : 0;
    if (survey && (top < covered || top > innerHeight * 0.7)) scrollBy({top: top - covered});
    if (survey) want({solve: correcting()});
  }
  for (const step of steps) step.querySelector("h2 button").addEventListener("click", () => open(step.dataset.step));

  // ---------------------------------------------------------------- frames
  function showSurvey() {
    const merged = survey.merged.length;
    $("sum-frames").textContent = `${merged} of ${survey.frames.length} merged`;
    $("sum-reading").textContent = survey.usable ? (merged > 1 ? `${survey.gain.toFixed(1)} times better than one frame` : "one frame") : "not usable";
    $("advice").textContent = survey.advice;
    const focused = document.activeElement?.dataset?.frame;
    $("strip").replaceChildren(...survey.frames.map(each => {
      const kind = {chosen: "merged", usable: "good", refused: "refused", "no card": "none"}[each.verdict];
      const word = {chosen: "merged", usable: "good, not needed", refused: "refused", "no card": "no card"}[each.verdict];
      const button = make("button", {type: "button", class: kind + (each.hand || each.placed ? " hand" : ""), text: each.frame, "data-frame": each.frame,
        "aria-label": `Frame ${each.frame}, ${word}${each.hand || each.placed ? ", decided by hand" : ""}`});
      button.addEventListener("click", () => go(0, each.frame));
      return button;
    }));
    if (focused) $("strip").querySelector(`[data-frame="${focused}"]`)?.focus();
    $("reading").replaceChildren(...survey.reading.map(row => make("tr", {class: row.excluded ? "unused" : ""},
      make("th", {scope: "row", text: row.name}),
      ...(row.excluded ? [make("td", {colspan: 3, text: row.reasons})] :
        row.mean.map((mean, k) => make("td", {class: "num"}, mean, make("small", {text: ` ±${row.error[k]}${row.light[k] && `, ${row.light[k]} %`}`})))))));
    showFrame();
  }
  function showFrame() {
    const now = grade();
    for (const button of $("strip").children) button.setAttribute("aria-current", !view.shot && Number(button.dataset.frame) === view.frame);
    const word = now ? {chosen: "merged", usable: "good, not needed", refused: "refused", "no card": "no card"}[now.verdict] : "not looked at";
    $("frame-title").textContent = view.shot ? opened.takes[view.shot].name : `Frame ${view.frame}: ${word}`;
    $("frame-reasons").textContent = view.shot ? "A shot is only looked at; go back to the take under Picture." : now ? now.reasons : "Of a long take not every frame is looked at; --every-frame looks at each.";
    $("hand").disabled = !now;
    for (const input of $("hand").querySelectorAll("input")) {
      input.checked = Boolean(now) && (now.hand || "") === input.value;
      input.disabled = Boolean(now) && now.verdict === "no card" && input.value === "in";
    }
    $("frame-figures").replaceChildren(...(now ? now.figures : []).map(each => make("div", {}, make("dt", {text: each.name}), make("dd", {text: `${each.value} ${each.unit}`}))));
    const found = now && now.corners.length;
    $("corners-said").textContent = view.shot ? "A shot has no card to place; go back to the take under Picture." : !now ? `Frame ${view.frame} was not looked at.` :
      now.placed ? `Frame ${view.frame}: the corners are yours.` : found ? `Frame ${view.frame}: the corners are as found.` : `Frame ${view.frame}: no card was found.`;
    $("corners-place").hidden = !now || found;
    $("corners-back").hidden = !(now && now.placed);
    const where = opened.takes[view.shot];
    $("picture-said").textContent = `${view.shot ? where.name + ", frame" : "Frame"} ${view.frame}${!view.shot && now ? `, ${word}` : ""}`;
    $("scrub").max = where.numbers.length - 1;
    $("scrub").value = where.numbers.indexOf(view.frame);
    $("scrub").setAttribute("aria-valuetext", $("picture-said").textContent);
    $("shot").value = view.shot;
    draw();
  }
  function go(shot, frame) {
    Object.assign(view, {shot, frame, dragged: null});
    showFrame();
    want({before: true, solve: correcting()});
  }
  const byIndex = index => go(view.shot, opened.takes[view.shot].numbers[clamp(index, 0, opened.takes[view.shot].numbers.length - 1)]);
  $("scrub").addEventListener("input", () => byIndex(Number($("scrub").value)));
  $("back").addEventListener("click", () => byIndex(Number($("scrub").value) - 1));
  $("on").addEventListener("click", () => byIndex(Number($("scrub").value) + 1));
  $("hand").addEventListener("change", event => {
    const without = key => choices.by_hand[key].filter(each => each !== view.frame), add = key => [...without(key), view.frame].sort((a, b) => a - b);
    const value = event.target.value;
    choose({...choices.by_hand, taken_in: value === "in" ? add("taken_in") : without("taken_in"), left_out: value === "out" ? add("left_out") : without("left_out")});
  });

  // ---------------------------------------------------------------- the card's corners
  const NAMES = ["Top left", "Top right", "Bottom right", "Bottom left"];
  const handles = NAMES.map((name, k) => {
    const handle = make("button", {type: "button", class: "corner"});
    $("corners").append(handle);
    const place = point => {
      const corners = (view.dragged || grade().corners).map(each => [...each]);
      corners[k] = point.map(value => Math.round(value * 100) / 100);
      view.dragged = corners;
      draw();
    };
    const at = event => {
      const box = $("stage").getBoundingClientRect(), [w, h] = view.look.size;
      return [clamp((event.clientX - box.left) / box.width, -0.2, 1.2) * w, clamp((event.clientY - box.top) / box.height, -0.2, 1.2) * h];
    };
    let grip = null;
    handle.addEventListener("pointerdown", event => {
      if (event.button) return;
      handle.setPointerCapture(event.pointerId);
      const now = (view.dragged || grade().corners)[k], point = at(event);
      grip = [now[0] - point[0], now[1] - point[1]];
      event.preventDefault();
      handle.focus({preventScroll: true});
      loupe(k);
    });
    handle.addEventListener("pointermove", event => {
      if (!grip || !handle.hasPointerCapture(event.pointerId)) return;
      const point = at(event);
      place([point[0] + grip[0], point[1] + grip[1]]);
      loupe(k);
    });
    for (const end of ["pointerup", "pointercancel"]) handle.addEventListener(end, () => {
      if (!grip) return;
      grip = null;
      loupe(null);
      if (view.dragged) corners(view.dragged);
    });
    let later = 0;
    handle.addEventListener("keydown", event => {
      if (event.ctrlKey || event.metaKey) return;
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      const by = {ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step]}[event.key];
      if (!by) return;
      event.preventDefault();
      const now = (view.dragged || grade().corners)[k];
      place([now[0] + by[0], now[1] + by[1]]);
      loupe(k);
      clearTimeout(later);
      later = setTimeout(() => view.dragged && corners(view.dragged), 400);
    });
    handle.addEventListener("blur", () => loupe(null));
    return handle;
  });
  async function corners(points) {
    const rest = choices.by_hand.placed.filter(each => each.frame !== view.frame);
    points = points && points.map(point => point.map(value => Math.round(value * 100) / 100));
    await choose({...choices.by_hand, placed: points ? [...rest, {frame: view.frame, corners: points}].sort((a, b) => a.frame - b.frame) : rest});
    view.dragged = null;
    draw();
  }
  $("corners-back").addEventListener("click", () => corners(null));
  $("corners-place").addEventListener("click", () => {
    const [w, h] = view.look.size, card = opened.card.corners[2], aspect = card[0] / card[1] / view.look.pixel_aspect;
    const height = Math.min(h / 2, w / 2 / aspect), width = height * aspect, x = (w - width) / 2, y = (h - height) / 2;
    corners([[x, y], [x + width, y], [x + width, y + height], [x, y + height]]);
  });
  function loupe(k) {
    const canvas = $("loupe");
    canvas.hidden = k === null || !view.bitmaps.before;
    if (canvas.hidden) return;
    const [x, y] = (view.dragged || grade().corners)[k], [w] = view.look.size, bitmap = view.bitmaps.before;
    const scale = bitmap.width / w, reach = 12 * Math.max(1, w / 1920), pen = canvas.getContext("2d");
    canvas.classList.toggle("right", x < w / 2);
    pen.fillRect(0, 0, 132, 132);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(bitmap, (x - reach) * scale, (y - reach) * scale, 2 * reach * scale, 2 * reach * scale, 0, 0, 132, 132);
    for (const [colour, width] of [["#000", 3], ["#fff", 1]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.beginPath();
      for (const [a, b] of [[[66, 20], [66, 56]], [[66, 76], [66, 112]], [[20, 66], [56, 66]], [[76, 66], [112, 66]]]) { pen.moveTo(...a); pen.lineTo(...b); }
      pen.stroke();
    }
  }
  // The homography that takes the card's corners to four points, by elimination: eight equations, eight unknowns.
  function mapping(from, to) {
    const rows = [];
    from.forEach(([x, y], k) => {
      const [u, v] = to[k];
      rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u], [0, 0, 0, x, y, 1, -v * x, -v * y, v]);
    });
    for (let k = 0; k < 8; k++) {
      let best = k;
      for (let j = k + 1; j < 8; j++) if (Math.abs(rows[j][k]) > Math.abs(rows[best][k])) best = j;
      [rows[k], rows[best]] = [rows[best], rows[k]];
      for (let j = 0; j < 8; j++) if (j !== k) {
        const factor = rows[j][k] / rows[k][k];
        for (let c = k; c < 9; c++) rows[j][c] -= factor * rows[k][c];
      }
    }
    const h = rows.map((row, k) => row[8] / row[k]);
    return ([x, y]) => { const d = h[6] * x + h[7] * y + 1; return [(h[0] * x + h[1] * y + h[2]) / d, (h[3] * x + h[4] * y + h[5]) / d]; };
  }

  // ---------------------------------------------------------------- the picture
  function draw() {
    if (!view.look) return;
    const [w, h] = view.look.size, stage = $("stage");
    stage.style.aspectRatio = `${w * view.look.pixel_aspect} / ${h}`;
    const after = correcting() && view.bitmaps.after;
    paint($("canvas-before"), view.bitmaps.before);
    paint($("canvas-after"), after ? view.bitmaps.after : null);
    stage.style.setProperty("--at", `${view.at}%`);
    $("line").hidden = !after || view.at <= 0 || view.at >= 100;
    const now = grade(), svg = $("outline"), outlines = [];
    svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
    const shown = !correcting() && now && now.corners.length ? (view.dragged || now.corners) : null;
    if (shown) {
      const map = view.dragged ? mapping(opened.card.corners, shown) : null;
      const patches = map ? opened.card.patches.map(patch => patch.polygon.map(map)) : view.of === `${view.shot}/${view.frame}` ? Object.values(view.look.outlines) : [];
      for (const [points, kind] of [...patches.map(points => [points, ""]), [shown, "card"]]) {
        const at = points.map(point => point.join(",")).join(" ");
        outlines.push(shape("polygon", {points: at, class: "under"}), shape("polygon", {points: at, class: kind}));
      }
    }
    svg.replaceChildren(...outlines);
    const movable = view.step === "reading" && shown;
    handles.forEach((handle, k) => {
      handle.hidden = !movable;
      if (!movable) return;
      const [x, y] = shown[k];
      handle.style.left = `${100 * x / w}%`;
      handle.style.top = `${100 * y / h}%`;
      handle.setAttribute("aria-label", `${NAMES[k]} corner of the card, x ${x.toFixed(1)}, y ${y.toFixed(1)} pixels; move by the arrow keys`);
    });
  }
  function paint(canvas, bitmap) {
    canvas.hidden = !bitmap;
    if (!bitmap || canvas.bitmap === bitmap) return;
    canvas.width = bitmap.width;
    canvas.height = bitmap.height;
    canvas.getContext("2d").drawImage(bitmap, 0, 0);
    canvas.bitmap = bitmap;
  }
  function hold(on) {
    $("stage").classList.toggle("holding", on);
    view.holding = on;
    drawScopes();
  }
  const typing = element => element && (element.tagName === "SELECT" || element.matches("input[type=number]"));
  addEventListener("keydown", event => { if (event.key.toLowerCase() === "b" && !event.repeat && !typing(event.target) && !event.ctrlKey && !event.metaKey && !event.altKey && correcting()) hold(true); });
  addEventListener("keyup", event => { if (event.key.toLowerCase() === "b") hold(false); });
  addEventListener("blur", () => hold(false));
  $("hold").addEventListener("pointerdown", event => { $("hold").setPointerCapture(event.pointerId); hold(true); });
  for (const end of ["pointerup", "pointercancel", "blur"]) $("hold").addEventListener(end, () => hold(false));
  $("hold").addEventListener("keydown", event => { if (event.key === " " || event.key === "Enter") { event.preventDefault(); hold(true); } });
  $("hold").addEventListener("keyup", () => hold(false));
  $("shot").addEventListener("change", () => { const shot = Number($("shot").value); go(shot, shot ? opened.takes[shot].numbers[0] : best()); });
  const best = () => survey.merged[0] ?? opened.takes[0].numbers[0];
  $("alone").addEventListener("change", event => { view.alone = Boolean(event.target.value); view.inks = {}; want({before: true, solve: true}); });

  // ---------------------------------------------------------------- scopes
  function inkOf(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim().match(/[0-9a-f]{2}/gi).map(each => parseInt(each, 16));
  }
  function drawScopes() {
    if (!view.look) return;
    const side = correcting() && view.inks.waveform_after && !view.holding ? "after" : "before";
    for (const [kind, colours] of [["waveform", ["--ink"]], ["parade", ["--red", "--green", "--blue"]], ["vectorscope", ["--ink"]]]) {
      const part = view.inks[`${kind}_${side}`], canvas = $(`ink-${kind}`);
      if (part) {
        const [panels, h, w] = part.shape, pixels = new ImageData(w * panels, h);
        colours.map(inkOf).forEach(([r, g, b], panel) => {
          for (let y = 0; y < h; y++) for (let x = 0; x < w; x++) {
            const at = 4 * (y * w * panels + panel * w + x);
            pixels.data[at] = r; pixels.data[at + 1] = g; pixels.data[at + 2] = b; pixels.data[at + 3] = part.ink[(panel * h + y) * w + x];
          }
        });
        canvas.width = w * panels;
        canvas.height = h;
        canvas.getContext("2d").putImageData(pixels, 0, 0);
      }
      grid(kind, side);
    }
    const what = view.aloneShown ? "card's patches" : "whole frame", when = side === "after" ? "corrected" : "as the camera has it";
    $("scopes-said").textContent = `Scopes of the ${what}, ${when}`;
  }
  function grid(kind, side) {
    const svg = $(`grid-${kind}`), {low, high, extent, bars} = opened.scopes, rows = [];
    if (kind === "vectorscope") {
      svg.setAttribute("viewBox", "0 0 200 200");
      const at = ([cb, cr]) => [100 + 100 * cb / extent, 100 - 100 * cr / extent];
      rows.push(shape("line", {x1: 0, x2: 200, y1: 100, y2: 100, class: "faint"}), shape("line", {x1: 100, x2: 100, y1: 0, y2: 200, class: "faint"}));
      for (const [name, place] of Object.entries(bars)) {
        const [x, y] = at(place), [dx, dy] = [(x - 100) * 0.2, (y - 100) * 0.2];
        rows.push(shape("path", {d: `M${x - 4},${y}L${x},${y - 4}L${x + 4},${y}L${x},${y + 4}Z`}), shape("text", {x: clamp(x + dx, 6, 194), y: clamp(y + dy + 3, 10, 196), "text-anchor": "middle"}, {red: "R", yellow: "Yl", green: "G", cyan: "Cy", blue: "B", magenta: "Mg"}[name]));
      }
      for (const row of view.look.patches) if (row.role === "chip" && row.used) {
        const [x, y] = at(row.target.slice(1)), length = Math.hypot(x - 100, y - 100) || 1, [ux, uy] = [(x - 100) / length, (y - 100) / length];
        const stroke = (vx, vy) => `M${x + 3 * vx},${y + 3 * vy}L${x + 7 * vx},${y + 7 * vy}M${x - 3 * vx},${y - 3 * vy}L${x - 7 * vx},${y - 7 * vy}`;
        rows.push(shape("path", {d: stroke(ux, uy) + stroke(-uy, ux), class: "aim"}));
        if (side === "after") { const [px, py] = at(row.place.slice(1)); rows.push(shape("circle", {cx: px, cy: py, r: 2.2, class: "lands"})); }
      }
    } else {
      const box = svg.getBoundingClientRect(), w = box.width || 300, h = box.height || 200, y = level => h * (high - level) / (high - low);
      svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
      for (const level of [0, 0.25, 0.5, 0.75, 1]) rows.push(shape("line", {x1: 0, x2: w, y1: y(level), y2: y(level), class: level === 0 || level === 1 ? "" : "faint"}),
        shape("text", {x: 3, y: y(level) - 3}, `${100 * level}${level === 1 ? " %" : ""}`));
      for (const row of view.look.patches) if (row.role === "bar" && row.target[0] !== null) rows.push(shape("line", {x1: 0, x2: w, y1: y(row.target[0]), y2: y(row.target[0]), class: "aim"}));
    }
    svg.replaceChildren(...rows);
  }
  new ResizeObserver(() => drawScopes()).observe($("scopes"));

  // ---------------------------------------------------------------- targets
  const fields = [];
  // A number with its range: both always show what is chosen; nothing typed is as usual.
  function field({number, range = null, get, set, scale = 1, digits = 2}) {
    const show = () => {
      const {value, own} = get(), text = (value * scale).toFixed(digits).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
      if (document.activeElement !== number) number.value = own === false && number.dataset.empty ? "" : text;
      if (range) range.value = value * scale;
      number.classList.toggle("asked", own);
    };
    const take = text => {
      if (text === "") { set(null); changed(); return; }
      const value = Number(text);
      if (!Number.isFinite(value) || value < Number(number.min) || value > Number(number.max)) {
        trouble(`${number.getAttribute("aria-label") || number.labels[0]?.textContent || "That"}: a number from ${number.min} to ${number.max} can be had, not ${text}.`);
        return;
      }
      set(value / scale);
      changed();
    };
    number.addEventListener("input", () => number.value !== "" || number.validity.badInput ? take(number.value) : take(""));
    number.addEventListener("blur", () => show());
    if (range) range.addEventListener("input", () => take(range.value));
    fields.push(show);
  }
  function changed() {
    figures = null;
    for (const show of fields) show();
    sums();
    want({solve: true});
  }
  const entry = (key, name) => ({
    get: usual => ({value: choices[key][name] ?? usual, own: name in choices[key]}),
    set: value => { const {[name]: _, ...rest} = choices[key]; choices = {...choices, [key]: value === null ? rest : {...rest, [name]: value}}; }});
  function build() {
    const patches = opened.card.patches, [low, high] = opened.limits.level, nudge = opened.limits.nudge;
    $("bars").replaceChildren(...patches.filter(patch => patch.role === "bar").map(patch => {
      const id = `level-${patch.name}`, number = make("input", {type: "number", id, min: low, max: high, step: 0.1}), range = make("input", {type: "range", min: low, max: high, step: 0.1, "aria-label": `Level of ${patch.name} in IRE`});
      const own = entry("levels_ire", patch.name);
      field({number, range, get: () => own.get(patch.level), set: value => own.set(value !== null && Math.abs(value - patch.level) < 1e-9 ? null : value), digits: 1});
      return make("div", {class: "setting"}, make("label", {for: id}, make("b", {text: patch.name}), ` (usually ${patch.level})`, make("span", {class: "off", "data-off": patch.name})), range, make("span", {class: "field"}, number, make("span", {class: "unit", text: "IRE"})));
    }));
    field({number: $("fraction"), range: $("fraction-range"), get: () => ({value: choices.fraction, own: choices.fraction !== opened.usual.fraction}), set: value => { choices = {...choices, fraction: value ?? opened.usual.fraction}; }});
    const vectors = opened.mode === "vectorscope";
    $("fraction-row").hidden = !vectors;
    $("chips").replaceChildren(...patches.filter(patch => patch.role === "chip").map(patch => {
      const share = make("input", {type: "number", min: 0.01, max: 1, step: 0.01, "data-empty": "1", placeholder: "as all", "aria-label": `Share of ${patch.name}`, disabled: !vectors});
      const turn = make("input", {type: "number", min: -nudge, max: nudge, step: 0.1, "aria-label": `Hue of ${patch.name} turned by, degrees`});
      const own = entry("fractions", patch.name), turned = entry("nudges_deg", patch.name);
      field({number: share, get: () => own.get(choices.fraction), set: own.set});
      field({number: turn, get: () => turned.get(0), set: value => turned.set(value === 0 ? null : value)});
      const swatch = make("i", {class: "chip"});
      swatch.style.background = patch.colour;
      return make("tr", {}, make("th", {scope: "row"}, swatch, patch.name), make("td", {}, share), make("td", {}, turn), make("td", {class: "num", "data-off": patch.name}));
    }));
    for (const part of ["levels", "hues"]) {
      field({number: $(`strength-${part}`), range: $(`strength-${part}-range`), scale: 100, digits: 0, get: () => ({value: choices.strength[part], own: choices.strength[part] !== 1}), set: value => { choices = {...choices, strength: {...choices.strength, [part]: value ?? 1}}; }});
      for (const id of [`strength-${part}`, `strength-${part}-range`]) $(id).disabled = opened.whole_only;
    }
    const divide = value => { view.at = clamp(Number(value) || 0, 0, 100); $("divider").value = $("divider-range").value = view.at; draw(); };
    $("divider").addEventListener("input", () => divide($("divider").value));
    $("divider-range").addEventListener("input", () => divide($("divider-range").value));
    divide(0);
    const follow = event => { const box = $("stage").getBoundingClientRect(); divide(Math.round(100 * (event.clientX - box.left) / box.width)); };
    $("stage").addEventListener("pointerdown", event => {
      if (event.button || !correcting() || !view.bitmaps.after) return;
      $("stage").setPointerCapture(event.pointerId);
      follow(event);
    });
    $("stage").addEventListener("pointermove", event => { if ($("stage").hasPointerCapture(event.pointerId)) follow(event); });
    $("usual").addEventListener("click", () => { choices = {...opened.usual, by_hand: choices.by_hand}; changed(); });
    $("shot").replaceChildren(...opened.takes.map((take, k) => make("option", {value: k, text: k ? take.name : `${take.name} (the card's take)`})));
  }
  function sums() {
    const count = ["levels_ire", "fractions", "nudges_deg"].reduce((sum, key) => sum + Object.keys(choices[key]).length, 0) + (choices.fraction !== opened.usual.fraction) + (choices.strength.levels !== 1) + (choices.strength.hues !== 1);
    $("sum-targets").textContent = count ? `${plural(count, "choice")} of your own` : "as usual";
  }
  const full = () => choices.strength.levels === 1 && choices.strength.hues === 1;
  const miss = row => row.role === "chip" ? [[row.hue_deg, "°", opened.on_target.hue_deg], [row.radius_percent, " %", opened.on_target.radius_percent]] : row.role === "bar" && row.level_ire !== undefined ? [[row.level_ire, " IRE", opened.on_target.level_ire]] : [];
  function offs(row, element) {
    const misses = row.used || row.role === "check" ? miss(row) : [];
    element.textContent = misses.length ? misses.map(([value, unit]) => signed(value, unit === " %" ? 1 : 2) + unit).join(", ") : row.used ? "" : "not used";
    element.classList.toggle("beyond", full() && misses.some(([value, , limit]) => Math.abs(value) > limit));
  }
  function landing() {
    if (!view.look.patches.length) return;
    for (const row of view.look.patches) for (const element of document.querySelectorAll(`[data-off="${CSS.escape(row.name)}"]`)) offs(row, element);
    const beyond = view.look.patches.filter(row => row.used && miss(row).some(([value, , limit]) => Math.abs(value) > limit)).length;
    $("sum-picture").textContent = !full() ? "done in part, as asked" : beyond ? `${plural(beyond, "patch").replace("patchs", "patches")} off target` : "patches on target";
    known();
  }
  function known() {
    if (!view.look?.patches.length) return;
    const more = Object.fromEntries((figures?.patches || []).map(row => [row.name, row]));
    $("landing").replaceChildren(...view.look.patches.map(row => {
      const off = make("td", {class: "num"}), told = more[row.name];
      offs(row, off);
      const within = !told ? "…" : row.role === "chip" && told.hue_pm ? `${told.hue_pm}°, ${told.radius_pm} %` : row.role === "bar" && told.level_pm ? `${told.level_pm} IRE` : "";
      return make("tr", {class: row.used || row.role === "check" ? "" : "unused"}, make("th", {scope: "row", text: row.name}), off, make("td", {class: "num", text: within}), make("td", {class: "num", text: !told ? "…" : told.delta_e ? told.delta_e.join(" → ") : ""}));
    }));
    const said = figures ? [...new Set([...figures.cautions, ...survey.cautions])] : survey.cautions;
    $("cautions").replaceChildren(...(said.length || !figures ? said : ["Nothing but what the page says."]).map(text => make("li", {text})));
  }

  // ---------------------------------------------------------------- writing
  function commands(both) { $("commands").textContent = both.join("\n"); }
  async function write(overwrite) {
    $("ask").hidden = true;
    $("written").textContent = "Writing.";
    const {status, record} = await ask("write", {choices, overwrite}).catch(() => ({status: 0, record: {}}));
    if (status === 0) { gone(); $("written").textContent = ""; return; }
    if (record.there && record.there.length) {
      $("ask-said").textContent = `${record.there.join(" and ")} ${record.there.length > 1 ? "are" : "is"} there already. Replace ${record.there.length > 1 ? "them" : "it"}?`;
      $("written").textContent = "";
      $("ask").hidden = false;
      $("ask-no").focus();
      return;
    }
    $("written").textContent = status === 200 ? `Wrote ${record.files.join(" and ")}.` : "Nothing was written.";
    if (status !== 200) trouble(record.sentence);
  }
  $("write").addEventListener("click", () => write(false));
  $("ask-yes").addEventListener("click", () => { write(true); $("write").focus(); });
  const keep = () => { $("ask").hidden = true; $("written").textContent = "Nothing was written."; $("write").focus(); };
  $("ask-no").addEventListener("click", keep);
  $("ask").addEventListener("keydown", event => { if (event.key === "Escape") keep(); });
  $("copy").addEventListener("click", async () => {
    try { await navigator.clipboard.writeText($("commands").textContent); $("written").textContent = "Copied."; }
    catch { getSelection().selectAllChildren($("commands")); $("written").textContent = "The commands are selected; copy them with your keyboard."; }
  });

  // ---------------------------------------------------------------- light and dark, and the beginning
  const grounds = [["", "as the system"], ["paper", "light"], ["slate", "dark"]];
  let ground = 0;
  $("ground").addEventListener("click", () => {
    ground = (ground + 1) % grounds.length;
    const [name, label] = grounds[ground];
    if (name) document.documentElement.dataset.ground = name; else delete document.documentElement.dataset.ground;
    $("ground").querySelector("span").textContent = label;
    drawScopes();
  });
  matchMedia("(prefers-color-scheme:dark)").addEventListener("change", drawScopes);
  let resized = 0;
  addEventListener("resize", () => { clearTimeout(resized); resized = setTimeout(() => survey && want({before: true}), 300); });

  (async () => {
    try {
      const {status, record} = await ask("opened");
      if (status !== 200) { trouble(record.sentence); return; }
      opened = record;
      choices = opened.choices;
      $("take").textContent = `${opened.take}, ${opened.card.name}; ${opened.footage.encoding}, ${opened.footage.range} range`;
      $("sum-write").textContent = opened.files[1];
      $("write").textContent = `Write ${opened.files.join(" and ")}`;
      build();
      for (let tries = 0; !survey && tries < 3; tries++) if (!await resurvey() && !$("trouble").hidden) return;
      for (const show of fields) show();
      sums();
      view.frame = best();
      showFrame();
      open("frames");
    } catch { gone(); }
  })();
})();
