"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("js");

  const ground = document.getElementById("ground");
  const grounds = [["", "as the system"], ["paper", "light"], ["slate", "dark"]];
  let chosen = 0;
  ground.hidden = false;
  ground.addEventListener("click", () => {
    chosen = (chosen + 1) % grounds.length;
    const [name, label] = grounds[chosen];
    if (name) root.dataset.ground = name; else delete root.dataset.ground;
    ground.querySelector("span").textContent = label;
  });

  for (const stage of document.querySelectorAll(".stage")) {
    const divider = stage.querySelector(".divider");
    let at = 50;
    const place = value => {
      at = Math.min(100, Math.max(0, value));
      stage.style.setProperty("--at", at + "%");
      divider.setAttribute("aria-valuenow", Math.round(at));
      divider.setAttribute("aria-valuetext", `before on the left ${Math.round(at)} percent`);
    };
    const follow = event => {
      const box = stage.getBoundingClientRect();
      place((event.clientX - box.left) / box.width * 100);
    };
    divider.hidden = false;
    place(at);
    stage.addEventListener("pointerdown", event => {
      if (event.button) return;
      stage.setPointerCapture(event.pointerId);
      divider.focus({preventScroll: true});
      follow(event);
      if (event.pointerType === "mouse") event.preventDefault();
    });
    stage.addEventListener("pointermove", event => {
      if (stage.hasPointerCapture(event.pointerId)) follow(event);
    });
    divider.addEventListener("keydown", event => {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      const step = event.shiftKey ? 10 : 1;
      const to = {ArrowLeft: at - step, ArrowDown: at - step, ArrowRight: at + step, ArrowUp: at + step,
                  PageDown: at - 10, PageUp: at + 10, Home: 0, End: 100}[event.key];
      if (to === undefined) return;
      event.preventDefault();
      place(to);
    });
  }

  const table = document.getElementById("patches");
  if (table) {
    const heads = [...table.tHead.rows[1].cells], body = table.tBodies[0];
    const given = [...body.rows];
    heads.forEach((head, column) => {
      const button = head.querySelector("button");
      if (!button) return;
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        heads.forEach(other => other.hasAttribute("aria-sort") && other.setAttribute("aria-sort", "none"));
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const number = head.classList.contains("num");
        const key = row => {
          const text = row.cells[column].dataset.key;
          return text === undefined ? null : number ? Number(text) : text;
        };
        const rows = [...given].sort((a, b) => {
          const x = key(a), y = key(b);
          if (x === null || y === null) return (x === null) - (y === null);
          const order = number ? x - y : x.localeCompare(y, "en", {numeric: true});
          return up ? order : -order;
        });
        body.append(...rows);
      });
    });
  }
})();
