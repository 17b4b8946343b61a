"""`steadyhead demo`: all units of the demonstration, fast; and live, until somebody ends it."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import psutil

from daq.cli.demo import UNITS
from daq.cli.exits import Exit
from daq.record.engine import sqlite_url
from daq.record.store import Store
from daq.record.values import Filter
from tests.daq.cli.conftest import Command

EXPECTED = {
    "good-pump": ("MH-2101", "pass"),
    "weak-pump": ("MH-2101", "fail"),
    "module": ("MH-3310", "pass"),
    "module-return": ("MH-3325", "pass"),
    "sagging-supply": ("MH-2101", "void"),
}


def test_fast_it_tests_every_unit_and_ends(steadyhead: Command, tmp_path: Path) -> None:
    data = tmp_path / "demo"
    ended = steadyhead("demo", "--fast", "--data", str(data))
    assert ended.exit_code == Exit.PASS, ended.stderr
    told = [json.loads(line[line.index("{") :]) for line in ended.stdout.splitlines() if " MQTT steadyhead/v1/" in line]
    assert [(v["part"], v["word"]) for v in told] == [EXPECTED[unit] for unit in UNITS]
    assert all(v["sim"] == 1 for v in told)
    store = Store(sqlite_url(data / "records.db"))
    kept = {run.run: run.verdict for run in store.runs(Filter())}
    assert kept == {v["run"]: v["word"] for v in told}
    assert store.stats().unsent == 0
    store.close()
    for hint in ("mosquitto_sub -h 127.0.0.1 -p", "steadyhead runs list --database", "Nothing here is real"):
        assert hint in ended.stdout


def test_as_json_it_is_one_object_a_line(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("demo", "--fast", "--json", "--data", str(tmp_path / "demo"))
    assert (ended.exit_code, ended.stderr) == (Exit.PASS, "")
    told = [json.loads(line) for line in ended.stdout.splitlines()]
    assert [told[0]["event"], told[1]["event"], told[-1]["event"]] == ["demonstration", "where", "over"]
    assert told[1]["topics"] == "steadyhead/v1/marrow-hill/bench-1/#"
    verdicts = [(one["payload"]["part"], one["payload"]["word"]) for one in told if one["event"] == "verdict"]
    assert verdicts == [EXPECTED[unit] for unit in UNITS]
    assert {"run_begun", "stage", "reading", "run_finished"} <= {one["event"] for one in told}


def test_live_it_shows_stages_and_leaves_nothing_behind(config: Path, tmp_path: Path) -> None:
    command = (sys.executable, "-m", "daq.cli", "demo", "--data", tmp_path / "demo", "--config", config)
    root = Path(__file__).parents[3]
    with subprocess.Popen(command, cwd=root, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        said = []
        for line in demo.stdout:
            said.append(line)
            if " s  connect" in line:
                break
        children = psutil.Process(demo.pid).children(recursive=True)
        commands = {word for child in children for word in child.cmdline() if word in ("serve", "simulate")}
        demo.send_signal(signal.SIGINT)
        rest, errors = demo.communicate(timeout=120)
    assert commands == {"serve", "simulate"}, "".join(said)
    assert (demo.returncode, errors) == (Exit.PASS, "")
    assert "stopped; the records are in" in rest
    gone, alive = psutil.wait_procs(children, timeout=60)
    assert (len(gone), alive) == (len(children), [])
    assert (tmp_path / "demo" / "recordings").is_dir()
