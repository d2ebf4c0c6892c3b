"""Speed of the screens beside a bare Streamlit page, as ratios. Run by hand (it takes some minutes):

python tests/bench/bench_screens.py [years cuts]

The bare page draws as many tables, charts, metrics and buttons as the screen, the tables of the same size, from
constants, in the same process and in turn with the screen. A rerun is the processor's time of the thread that runs the
script, so that it does not matter what else the machine is busy with: all of it (widgets read, messages made) and the
script alone. Cold start is the time from starting the server until the first page has been sent; the database is there
already, and so is Python's bytecode, as on any machine after its first start.
"""

from __future__ import annotations

import asyncio
import dataclasses
import functools
import logging
import os
import pickle
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import pandas as pd  # noqa: E402
import pyarrow as pa  # noqa: E402
import streamlit as st  # noqa: E402
import streamlit.runtime.scriptrunner.script_runner as runner  # noqa: E402
import websockets  # noqa: E402
from streamlit.proto.BackMsg_pb2 import BackMsg  # noqa: E402
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg  # noqa: E402
from streamlit.testing.v1 import AppTest  # noqa: E402

from planner.cut.knowledge import know  # noqa: E402
from planner.screens import access, pages  # noqa: E402
from planner.shop import Cut  # noqa: E402
from planner.store import Kind, open_kind, places, sample_folder  # noqa: E402
from planner.store.sample import load_sample  # noqa: E402
from planner.week.board import payload_of, plan_shop  # noqa: E402
from planner.week.queue import estimate_queue  # noqa: E402

SCREENS = tuple(name for name, _ in pages.SCREENS)
FIELDS = ("text_input", "text_area", "number_input", "selectbox", "multiselect", "checkbox", "date_input", "time_input")
RERUNS = 15
STARTS = 5
CONSTANTS = sys.modules.setdefault("bench_constants", ModuleType("bench_constants"))
"""What the bare page draws is put here; it reads it as constants."""

BARE_PAGE = """
import altair as alt
import pandas as pd
import streamlit as st
from bench_constants import BARE

st.title("Bare")
for frame in BARE["tables"]:
    st.dataframe(frame, hide_index=True)
for rows in BARE["charts"]:
    frame = pd.DataFrame({"x": range(rows), "y": range(rows)})
    st.altair_chart(alt.Chart(frame).mark_bar().encode(x="x", y="y"))
for i in range(BARE["metrics"]):
    st.metric(f"Figure {i}", i)
for i in range(BARE["buttons"]):
    st.button(f"Button {i}", key=i)
"""

FULL_PAGE = (
    BARE_PAGE
    + """
for i in range(BARE["texts"]):
    st.markdown(f"Line {i}")
for i in range(BARE["inputs"]):
    st.text_input(f"Field {i}", key=f"field {i}")
"""
)
"""The bare page with as many lines of text and fields as the screen, too: what forms cost by themselves."""


def main() -> None:
    logging.disable(logging.WARNING)
    runner.exec_func_with_error_handling = clocked("script", runner.exec_func_with_error_handling)
    runner.ScriptRunner._run_script = clocked("rerun", runner.ScriptRunner._run_script)
    years, cuts = (sys.argv[1:] + ["5", "20000"])[:2] if len(sys.argv) > 2 else ("5", "20000")
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        made = here / "files"
        maker = [sys.executable, str(ROOT / "sample_data" / "make_sample.py"), "--years", years, "--cuts", cuts]
        subprocess.run([*maker, "--out", str(made)], check=True, stdout=subprocess.DEVNULL)
        for name, files in (("sample", sample_folder()), (f"{years} years, {cuts} cuts", made)):
            home = here / name.split()[0]
            home.mkdir()
            os.environ |= {"XDG_DATA_HOME": str(home), "HOME": str(home)}
            os.environ.pop("PLANNER_DATABASE", None)
            begin = time.perf_counter()
            load_sample(open_kind(places(), Kind.SAMPLE, datetime.now()), datetime.now(), files)
            print(f"\n{name} (loaded in {time.perf_counter() - begin:.0f} s)")
            counts = reruns()
            cold(home, counts)
        planning()


# -- reruns ------------------------------------------------------------------------------------------------------------
def reruns() -> dict:
    """Print the time of a rerun of every screen against its bare page; returns what the week draws."""
    st.cache_resource.clear()
    app, week = AppTest.from_file(str(ROOT / "app.py"), default_timeout=300), {}
    print(f"  first run in this process (everything computed): {timed(app)[0]:.2f} s")
    for screen in SCREENS:
        app.session_state["go to"] = screen
        checked(checked(app))
        found = compare(app, screen)
        week = week or found
    app.session_state["go to"] = "week"
    checked(checked(app))
    a_minute_on(app, "first plan")
    accept()
    checked(app)
    compare(app, "week, plan accepted")
    a_minute_on(app, "plan accepted")
    for screen in ("week", "run", "records"):
        app.session_state["go to"] = screen
        checked(checked(app))
        after_writes(app, screen)
    return week


def a_minute_on(app: AppTest, name: str) -> None:
    """Print the time of a rerun in which the clock has gone on by a minute."""
    clock, begin, spent = access.now, access.now(), []
    for minute in range(1, 6):
        access.now = lambda at=begin + timedelta(minutes=minute): at
        spent.append(timed(app)[0])
    access.now = clock
    print(f"  week, {name}, the clock a minute on: {statistics.median(spent) * 1e3:.0f} ms")


def after_writes(app: AppTest, name: str) -> None:
    """Print the time of the first rerun after a part was saved, and after a cut was recorded."""
    store, at = access._open(Kind.SAMPLE), access.now()
    part = next(iter(store.load_shop().parts.values()))
    store.save(dataclasses.replace(part, owner=f"{part.owner}."), by="bench", at=at)
    saved = timed(app)[0]
    shop = store.load_shop()
    job = next(j for j in shop.open_jobs() if not (shop.part_of(j).waits_for or shop.set_of(j.id) or j.id in shop.taps))
    store.record_cut(Cut(job.id, job.part_id, job.face_id, at, 0.1, by="bench", clean_upper_mm=0.1))
    recorded = timed(app)[0]
    print(f"  {name}: after a part was saved {saved * 1e3:.0f} ms, after a cut was recorded {recorded * 1e3:.0f} ms")


def accept() -> None:
    """Accept the plan the week begins with."""
    store, at = access._open(Kind.SAMPLE), access.now()
    shop = store.load_shop()
    known = know(shop)
    queue = estimate_queue(shop, known)
    plan = plan_shop(shop, queue, at, known, steps=0)
    store.accept_plan(payload_of(plan, shop, queue, at), "bench", at, store.data_version())


def checked(app: AppTest) -> AppTest:
    app.run()
    if app.exception:
        raise SystemExit([e.value for e in app.exception])
    return app


SPENT: dict[str, float] = {}


def clocked(name: str, call):
    """``call``, whose thread's time at the processor is added up in `SPENT`."""

    @functools.wraps(call)
    def run(*args, **more):
        begin = time.thread_time()
        try:
            return call(*args, **more)
        finally:
            SPENT[name] = SPENT.get(name, 0.0) + time.thread_time() - begin

    return run


def timed(app: AppTest) -> tuple[float, float]:
    """Seconds of a whole rerun and of the script alone."""
    SPENT.clear()
    checked(app)
    return SPENT["rerun"], SPENT["script"]


def compare(app: AppTest, name: str) -> dict:
    """Time a screen and its bare page in turn; the best of all reruns, for the machine may be busy with other things."""
    found = drawn(app)
    CONSTANTS.BARE = found
    bare = checked(AppTest.from_string(BARE_PAGE, default_timeout=300))
    full = checked(AppTest.from_string(FULL_PAGE, default_timeout=300))
    ours, theirs, fuller = [], [], []
    for _ in range(RERUNS):
        ours.append(timed(app))
        theirs.append(timed(bare))
        fuller.append(timed(full))
    checked(app)
    mine, plain, all_of_it = (min(rerun for rerun, _ in spent) for spent in (ours, theirs, fuller))
    script, bare_script = (min(alone for _, alone in spent) for spent in (ours, theirs))
    shown = f"{len(found['tables'])} tables, {len(found['charts'])} charts, {found['metrics']} metrics"
    print(
        f"  {name:<20} {mine * 1e3:6.1f} ms, bare page {plain * 1e3:5.1f} ms: {mine / plain:5.2f} x"
        f"   (script alone {script * 1e3:.1f} ms, {script / bare_script:.2f} x; {shown}, {found['buttons']} buttons); "
        f"with {found['texts']} lines and {found['inputs']} fields {mine / all_of_it:.2f} x"
    )
    return found


def drawn(app: AppTest) -> dict:
    """How many tables, charts, metrics and buttons a screen draws, with the tables themselves."""
    charts = app.get("arrow_vega_lite_chart") or app.get("vega_lite_chart")
    return {
        "tables": [pd.DataFrame(table.value) for table in app.dataframe],
        "charts": [rows_of(chart.proto) for chart in charts],
        "metrics": len(app.metric),
        "buttons": len(app.button) + len(app.get("download_button")),
        "texts": len(app.markdown) + len(app.caption) + len(app.subheader),
        "inputs": sum(len(app.get(kind)) for kind in FIELDS),
    }


def rows_of(chart) -> int:
    """Rows of the largest table behind a chart."""
    found = [d.data.data for d in chart.datasets] + ([chart.data.data] if chart.data.data else [])
    return max((pa.ipc.open_stream(data).read_all().num_rows for data in found), default=1)


# -- cold start --------------------------------------------------------------------------------------------------------
def cold(home: Path, counts: dict) -> None:
    """Print the time from starting the server to its first page, against two bare apps."""
    with tempfile.TemporaryDirectory() as folder:
        bare, hello = Path(folder) / "bare.py", Path(folder) / "hello.py"
        (Path(folder) / "bench_constants.py").write_text(
            "import pickle, pathlib\nBARE = pickle.loads(pathlib.Path(__file__).with_name('bare.pickle').read_bytes())\n"
        )
        (Path(folder) / "bare.pickle").write_bytes(pickle.dumps(counts))
        bare.write_text(BARE_PAGE)
        hello.write_text("import streamlit as st\n\nst.title('Bare')\nst.write('Nothing else')\n")
        spent: dict[str, list[tuple[float, float]]] = {"ours": [], "bare": [], "hello": []}
        first_page(ROOT / "app.py", home)
        for _ in range(STARTS):
            for name, script in (("ours", ROOT / "app.py"), ("bare", bare), ("hello", hello)):
                spent[name].append(first_page(script, home))
    for what, which in (("by the clock", 0), ("of the processor", 1)):
        ours, page, empty = (min(one[which] for one in spent[name]) for name in ("ours", "bare", "hello"))
        print(
            f"  cold start {ours:.2f} s {what}; bare page with the week's tables and charts {page:.2f} s: "
            f"{ours / page:.2f} x; a title alone {empty:.2f} s: {ours / empty:.2f} x"
        )


def first_page(script: Path, home: Path) -> tuple[float, float]:
    """Seconds until the first page was sent: by the clock, and of the processor (the end of the server included)."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    command = [sys.executable, "-m", "streamlit", "run", str(script), "--server.port", str(port)]
    command += ["--server.headless", "true", "--browser.gatherUsageStats", "false", "--server.fileWatcherType", "none"]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begin = time.perf_counter()
    server = subprocess.Popen(
        command, cwd=script.parent, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        asyncio.run(asyncio.wait_for(visit(port), 120))
        sent = time.perf_counter() - begin
    finally:
        server.terminate()
        _, _, used = os.wait4(server.pid, 0)
        server.returncode = 0
    return sent, used.ru_utime + used.ru_stime


async def visit(port: int) -> None:
    """Ask for the page as a browser does, and wait until the script has run to its end."""
    ask = BackMsg()
    ask.rerun_script.query_string = ""
    while True:
        try:
            line = await websockets.connect(
                f"ws://127.0.0.1:{port}/_stcore/stream", subprotocols=["streamlit"], max_size=None
            )
            break
        except OSError:
            await asyncio.sleep(0.02)
    async with line:
        await line.send(ask.SerializeToString())
        async for data in line:
            message = ForwardMsg.FromString(data)
            if message.WhichOneof("type") == "script_finished":
                return


# -- planning ----------------------------------------------------------------------------------------------------------
def planning() -> None:
    """Print the time to plan 30 and 100 jobs: the first plan (no search) and steps of the search a second."""
    store = open_kind(places(), Kind.SAMPLE, datetime.now())
    shop = store.load_shop()
    at = datetime.combine(datetime.now().date(), datetime.min.time()) + timedelta(hours=8)
    seed = [j for j in shop.open_jobs() if not shop.part_of(j).waits_for]
    print("\nplanning")
    for count in (30, 100):
        jobs, parts = {}, {}
        for i in range(count):
            job = seed[i % len(seed)]
            part = dataclasses.replace(shop.part_of(job), id=10_000 + i, tag=f"B{i}")
            parts[part.id] = part
            jobs[10_000 + i] = dataclasses.replace(job, id=10_000 + i, part_id=part.id)
        big = dataclasses.replace(shop, parts=parts, jobs=jobs, sets={}, removed_mm={})
        begin = time.perf_counter()
        known = know(big)
        learned = time.perf_counter()
        queue = estimate_queue(big, known)
        estimated = time.perf_counter()
        plan_shop(big, queue, at, known, steps=0)
        first = time.perf_counter()
        plan_shop(big, queue, at, known, seconds=3.0)
        end = time.perf_counter()
        print(
            f"  {count} jobs: learning {learned - begin:.2f} s, estimates {estimated - learned:.2f} s, "
            f"first plan {first - estimated:.2f} s, search given 3 s {end - first:.2f} s"
        )


if __name__ == "__main__":
    main()
