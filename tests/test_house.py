"""The house: a room imports only from rooms below it; the rooms below the store know no database, no screen, no clock
and no files."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "planner"
ROOMS = ("errors", "late", "units", "shop", "face", "cut", "edge", "match", "week", "store", "sheets", "screens")
PURE = ROOMS[: ROOMS.index("store")]

# what the pure rooms must not load, directly or through anything they import
HEAVY = ("streamlit", "sqlalchemy", "alembic", "altair", "jinja2", "openpyxl", "sqlite3")
# and what their own code must not name
FORBIDDEN_MODULES = {
    "glob", "io", "logging", "os", "pathlib", "pickle", "shelve", "shutil", "socket", "sqlite3", "subprocess", "sys",
    "tempfile", "threading", "time", "urllib",
}  # fmt: skip
FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval", "breakpoint"}
CLOCKS = {
    ("datetime", "now"),
    ("datetime", "today"),
    ("datetime", "utcnow"),
    ("date", "today"),
    ("Timestamp", "now"),
    ("Timestamp", "today"),
    ("Timestamp", "utcnow"),
}
# a stop-watch for a time budget tells no time of day; it is allowed where a search is told how long it may look
STOPWATCH = {"week/search.py", "week/single.py"}


def modules(rooms=ROOMS) -> list[Path]:
    return [
        path
        for path in sorted(PACKAGE.rglob("*.py"))
        if room_of(path) in rooms and "__pycache__" not in path.parts and "versions" not in path.parts
    ]


def room_of(path: Path) -> str:
    """The room a module lives in; a module beside the rooms is one itself."""
    inside = path.relative_to(PACKAGE)
    return inside.parts[0].removesuffix(".py") if inside.parts[0] != "__init__.py" else "errors"


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imports(path: Path) -> Iterator[tuple[int, str, str]]:
    """(line, module, name) of every import, those inside functions included; name "" for a whole module."""
    package = ["planner", *path.relative_to(PACKAGE).parts[:-1]]
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name, ""
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if node.level:
                module = ".".join([*package[: len(package) - node.level + 1], *([module] if module else [])])
            for alias in node.names:
                yield node.lineno, module, alias.name


def planner_room(module: str, name: str) -> str | None:
    """The room an import reaches; None outside the package or for the package's own public names."""
    parts = module.split(".")
    if parts[0] != "planner":
        return None
    if len(parts) > 1:
        return parts[1]
    return name if name in ROOMS else None


def test_every_module_is_in_a_room():
    strangers = {name_of(p) for p in PACKAGE.rglob("*.py") if room_of(p) not in ROOMS and "__pycache__" not in p.parts}
    assert strangers == set()


def test_a_room_imports_only_from_rooms_below_it():
    wrong = [
        f"{name_of(path)}:{line} imports {room} ({module} {name})".rstrip()
        for path in modules()
        for line, module, name in imports(path)
        if (room := planner_room(module, name)) is not None and ROOMS.index(room) > ROOMS.index(room_of(path))
    ]
    assert wrong == []


def test_no_room_uses_a_peer_s_private_names():
    wrong = []
    for path in modules():
        own = room_of(path)
        aliases = {}
        for line, module, name in imports(path):
            room = planner_room(module, name)
            if room in (None, own):
                continue
            if name.startswith("_") or any(part.startswith("_") for part in module.split(".")):
                wrong.append(f"{name_of(path)}:{line} {module} {name}")
            aliases[name or module.split(".")[-1]] = room
        for node in ast.walk(tree_of(path)):
            if (
                isinstance(node, ast.Attribute)
                and node.attr.startswith("_")
                and not node.attr.startswith("__")
                and isinstance(node.value, ast.Name)
                and node.value.id in aliases
            ):
                wrong.append(f"{name_of(path)}:{node.lineno} {node.value.id}.{node.attr}")
    assert wrong == []


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_loads_neither_database_nor_screen(room):
    assert_loads_none_of(HEAVY, [name_of(path) for path in modules((room,))])


def test_the_store_and_the_sheets_know_no_screen():
    assert_loads_none_of(("streamlit", "altair"), [name_of(path) for path in modules(("store", "sheets"))])


def assert_loads_none_of(heavy: Sequence[str], paths: Sequence[str]) -> None:
    """Import modules, given as paths in the package, in a process of their own; none of ``heavy`` may come with them."""
    names = ["planner." + p.removesuffix(".py").removesuffix("/__init__").replace("/", ".") for p in paths]
    names = [name for name in names if name != "planner.__init__" and not name.endswith("migrations.env")]
    code = (
        f"import sys, importlib\nfor name in {names!r}: importlib.import_module(name)\n"
        f"found = sorted(set({tuple(heavy)!r}) & set(sys.modules))\nassert not found, found"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr.strip().splitlines()[-1]


def test_the_first_screen_does_not_wait_for_what_it_does_not_show():
    """Fits, linear programmes and migrations are loaded when they are first needed, not at every start."""
    late = ("scipy.stats", "scipy.optimize", "scipy.spatial", "scipy.special", "alembic", "openpyxl")
    assert_loads_none_of(late, ["screens/pages.py", "screens/shell.py", "screens/access.py", "screens/week.py"])


def forbidden_in(source: str, stopwatch: bool = False) -> list[str]:
    """What a pure module's code must not do, as "line what"."""
    found = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name.split(".")[0] for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names = [(node.module or "").split(".")[0]]
        found += [
            f"{node.lineno} imports {name}"
            for name in names
            if name in FORBIDDEN_MODULES | set(HEAVY) and not (stopwatch and name == "time")
        ]
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
                found.append(f"{node.lineno} calls {node.func.id}()")
            if isinstance(node.func, ast.Attribute):
                owner = node.func.value
                owner = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
                if (owner, node.func.attr) in CLOCKS:
                    found.append(f"{node.lineno} reads the clock: {owner}.{node.func.attr}()")
                if (owner, node.func.attr) in {("time", "time"), ("time", "localtime"), ("time", "sleep")}:
                    found.append(f"{node.lineno} reads the clock: time.{node.func.attr}()")
                if node.func.attr in ("read_text", "write_text", "read_csv", "to_csv", "read_excel", "to_excel"):
                    found.append(f"{node.lineno} touches a file: .{node.func.attr}()")
        if isinstance(node, ast.Global):
            found.append(f"{node.lineno} changes a module's state: global {', '.join(node.names)}")
    return found


@pytest.mark.parametrize("path", modules(PURE), ids=name_of)
def test_a_pure_room_knows_no_clock_no_file_and_no_state(path):
    assert forbidden_in(path.read_text(encoding="utf-8"), name_of(path) in STOPWATCH) == []


@pytest.mark.parametrize(
    ("source", "why"),
    [
        ("import os", "imports os"),
        ("from pathlib import Path", "imports pathlib"),
        ("def f():\n    import sqlalchemy.exc", "imports sqlalchemy"),
        ("open('x')", "calls open()"),
        ("import datetime\ndatetime.datetime.now()", "reads the clock: datetime.now()"),
        ("from datetime import date\ndate.today()", "reads the clock: date.today()"),
        ("import pandas as pd\npd.Timestamp.now()", "reads the clock: Timestamp.now()"),
        ("import time\ntime.time()", "imports time"),
        ("frame.to_csv('x')", "touches a file: .to_csv()"),
        ("x = 1\ndef f():\n    global x\n    x = 2", "changes a module's state: global x"),
    ],
)
def test_the_check_itself_sees_what_it_looks_for(source, why):
    assert why in " | ".join(forbidden_in(source))


def test_every_exception_is_still_needed():
    assert {name for name in STOPWATCH if forbidden_in((PACKAGE / name).read_text(encoding="utf-8"))} == STOPWATCH


def test_even_a_stop_watch_may_not_tell_the_time_of_day():
    assert forbidden_in("import time\ntime.monotonic()", stopwatch=True) == []
    assert forbidden_in("import time\ntime.time()", stopwatch=True) != []


def test_a_day_is_written_one_way_on_screens_and_sheets():
    """ "Tue 01 Dec 2026": in words, tables and pictures alike."""
    other = re.compile(r"(?<!D)D MMM|MMMM|%-d|%e\b|%B|%A|%m/%d|%d/%m|%d\.%m")
    written = [path for path in modules() if other.search(path.read_text(encoding="utf-8"))]
    written += [path for path in PACKAGE.rglob("*.html") if other.search(path.read_text(encoding="utf-8"))]
    assert [name_of(path) for path in written] == []
