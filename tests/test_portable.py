"""Nothing needs Linux without saying so: what only POSIX systems or Linux have stands in few places, each guarded, and
the rest runs with it taken away. No other system runs here; what is left to chance is said in the README."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.host import support

ROOT = Path(__file__).parents[1]
SOURCES = {"huewright_kernels": ROOT / "kernels", "huewright": ROOT / "harness", "huewright_demo": ROOT / "demo"}
# Python's library reference, "Availability: Unix" (and "not macOS", for some).
MODULES = {"fcntl", "grp", "posix", "pty", "pwd", "readline", "resource", "syslog", "termios", "tty"}
NAMES = {
    "os": {"O_DIRECTORY", "O_NOFOLLOW", "O_TMPFILE", "RTLD_GLOBAL", "RTLD_LOCAL", "RTLD_NOW", "WEXITSTATUS",
           "WIFSIGNALED", "WTERMSIG", "chown", "copy_file_range", "fchmod", "fork", "geteuid", "getgid", "getloadavg",
           "getpgid", "getuid", "killpg", "mkfifo", "pread", "pwrite", "sched_getaffinity", "sendfile", "setpgid",
           "setsid", "statvfs",
           "sysconf", "uname", "wait", "waitid", "waitpid"},
    "signal": {"SIGALRM", "SIGCHLD", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGUSR1", "alarm", "setitimer"},
    "mmap": {"MAP_ANONYMOUS", "MAP_PRIVATE", "MAP_SHARED", "PROT_READ", "PROT_WRITE"},
    "errno": {"EDQUOT", "ENOTSUP"},
    "select": {"epoll", "poll", "select"}}
"""``select`` is everywhere, but of pipes only on POSIX."""
LINUX = ("huewright.host", "huewright.probe")
"""These run on Linux only and say so before they are imported (:mod:`huewright.host.support`)."""
EVERYWHERE = {"huewright.host", "huewright.host.bundle", "huewright.host.support", "huewright.probe"}
GUARDED = {"huewright.files": {"O_TMPFILE", "O_DIRECTORY", "fcntl", "pwrite"}, "huewright.claims": {"fcntl"},
           "huewright.cli.signals": {"select"}, "huewright_kernels.cache": {"getuid", "fcntl"},
           "huewright_kernels.threads": {"sched_getaffinity"}, "huewright.timing.clock": {"getloadavg"}}
"""Where a name is asked for first; the test below runs them without it."""
OF_PROC = {"huewright.files", "huewright.timing.clock"}
"""What reads /proc where it is there."""


def modules() -> dict[str, Path]:
    found = {}
    for package, folder in SOURCES.items():
        for path in sorted((folder / package).rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def portable(name: str) -> bool:
    return name in EVERYWHERE or not any(name == one or name.startswith(f"{one}.") for one in LINUX)


def needs(path: Path) -> set[str]:
    """What a module takes that other systems lack: modules, and names of modules."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names} & MODULES
        elif isinstance(node, ast.ImportFrom):
            found |= {node.module or ""} & MODULES
            found |= {alias.name for alias in node.names} & NAMES.get(node.module or "", set())
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            found |= {node.attr} & NAMES.get(node.value.id, set())
        elif isinstance(node, ast.Call) and ast.unparse(node).startswith("ctypes.CDLL(None"):
            found.add("CDLL(None)")
    return found


def test_what_only_posix_has_stands_in_guarded_places() -> None:
    wrong = {name: needs(path) - GUARDED.get(name, set()) for name, path in modules().items() if portable(name)}
    assert {name: found for name, found in wrong.items() if found} == {}
    for name, guarded in GUARDED.items():
        text = modules()[name].read_text(encoding="utf-8")
        asks = "except ImportError" if guarded == {"fcntl"} else 'hasattr(os, "'
        assert needs(modules()[name]) == guarded and asks in text, name


def test_the_list_would_find_them() -> None:
    """Else the test above could not fail: the host, which is Linux's, is full of them."""
    assert {"resource", "select", "fork"} <= needs(modules()["huewright.host.child"])
    assert {"SIGKILL", "CDLL(None)"} <= needs(modules()["huewright.host.watching"])
    assert {"fork"} <= needs(modules()["huewright.probe.child"])


def test_proc_is_read_in_few_places() -> None:
    read = {name for name, path in modules().items() if portable(name) and "/proc" in "".join(
        node.value for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str))}
    assert read - OF_PROC == set()


def test_texts_are_read_and_written_in_utf_8_whatever_the_system_s_is() -> None:
    wrong = []
    for name, path in modules().items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and portable(name) \
                    and node.func.attr in ("read_text", "write_text"):
                argued = len(node.args) + len(node.keywords)
                if argued > (node.func.attr == "write_text") or argued == 0:
                    if not any(keyword.arg == "encoding" for keyword in node.keywords) and isinstance(
                            node.func.value, (ast.Name, ast.BinOp, ast.Attribute)) and argued < 2:
                        wrong.append(f"{name}, line {node.lineno}")
    assert wrong == []


def test_running_plugins_elsewhere_is_said_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(support.platform, "system", lambda: "Windows")
    with pytest.raises(InputError, match="run .* on Linux only, not on Windows"):
        support.require_support()


ELSEWHERE = r"""
import ctypes, errno, importlib, mmap, os, platform, signal, sys, tempfile
from pathlib import Path
names, taken, posix, folder = eval(sys.stdin.read())
for name in names:                      # what others wrote is loaded with all that it may want
    importlib.import_module(name)
for name in [n for n in sys.modules if n.partition(".")[0] in ("huewright", "huewright_kernels", "huewright_demo")]:
    del sys.modules[name]
for module in posix:
    sys.modules[module] = None          # an import of it fails from here on
links = os.readlink
tempfile._O_TMPFILE_WORKS = False       # Python's own use of it
for module, attributes in taken.items():
    for attribute in attributes:
        if hasattr(sys.modules.get(module), attribute) and (module, attribute) != ("select", "select"):
            delattr(sys.modules[module], attribute)
platform.system, platform.machine = (lambda: "Windows"), (lambda: "AMD64")

def refusing(real):
    def move(source, target, *more, **most):    # as Windows does with a file that is open
        for path in (source, target):
            for handle in range(3, 64):
                try:
                    if links(f"/proc/self/fd/{handle}") == str(Path(path).resolve()):
                        raise PermissionError(errno.EACCES, "the file is open", str(path))
                except FileNotFoundError:
                    pass
        return real(source, target, *more, **most)
    return move

os.replace, os.link = refusing(os.replace), refusing(os.link)
for name in names:
    importlib.import_module(name)
from huewright.files import whole_file, write_text
from huewright.errors import InputError
folder = Path(folder)
write_text(folder / "a.txt", "one")
write_text(folder / "a.txt", "two", overwrite=True)
try:
    write_text(folder / "a.txt", "three")
except InputError:
    pass
else:
    raise SystemExit("replaced")
assert (folder / "a.txt").read_text() == "two" and [p.name for p in folder.iterdir()] == ["a.txt"]
from huewright_kernels import cache
from huewright_kernels.threads import default_threads
from huewright.plugin.targets import targets_named
from huewright.host.bundle import ARCHITECTURE
from huewright.steps.ofx import probe_bundle
assert cache.folder() is not None and default_threads() > 0
assert [t.name for t in targets_named(None)] == ["windows-x86-64"] and ARCHITECTURE == "Win64"
try:
    probe_bundle(folder)
except InputError as error:
    print(error)
from huewright.timing.clock import busy_cautions
assert busy_cautions() == []
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import Matrix
assert run_colours(compile_chain((Matrix(),)), [[0.5, 0.25, 1.0]]).tolist() == [[0.5, 0.25, 1.0]]
"""


@pytest.mark.long
@pytest.mark.slow
def test_all_else_runs_without_them(tmp_path: Path) -> None:
    """Modules and functions that only POSIX has are taken away, and files that are open can't be moved."""
    skipped = {"huewright.plugin.emit", "huewright.plugin.generated", "huewright.__main__"}
    names = [name for name in modules() if portable(name) and name not in skipped and not name.endswith("__main__")]
    (tmp_path / "files").mkdir()
    given = repr((names, {**NAMES, "errno": {"EDQUOT"}}, sorted(MODULES), str(tmp_path / "files")))
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", ELSEWHERE], input=given, capture_output=True,
                          text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert "on Linux only, not on Windows" in done.stdout
