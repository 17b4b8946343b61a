"""What a stand must survive. Each says what, where and what to do; what it touched is in no reading; what was recorded
is kept; the exit code is the documented one, and 10 only with a stored verdict behind it."""

import asyncio
import json
import re
import shutil
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daq.cli.exits import BY_VERDICT, Exit
from drivers.link.codec import encode
from drivers.link.deframer import Deframer
from drivers.link.frames import Layout
from simulator.adapter import PtyLine
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.conftest import Mosquitto
from tests.daq.stand.evidence import gaps, replayed, scans, touched
from tests.system.bench import Child, Json, simulated, simulated_from_stream, steadyhead
from tests.system.records import CONFIG, Records

PACE = 16.0
SCRIPTED = "sim://scripted?script=1&faults="


async def foreground(device: str, records: Records, **more: str | Path) -> tuple[int, str, Json]:
    """A run in the foreground: exit code, what it complained of, and the run as stored, whose recording is readable."""
    async with steadyhead(*records.run_words(device, **more)) as child:  # type: ignore[arg-type]
        return await closed(child, records)


async def closed(child: Child, records: Records) -> tuple[int, str, Json]:
    """A run that has ended, however it did: closed, recorded to its last scan, told as it is stored."""
    code, errors = await child.ended()
    assert "Traceback" not in errors
    assert child.output, errors
    told, run = json.loads("".join(child.output)), records.runs()[0]
    assert records.result(run["run"]) == told
    assert code == BY_VERDICT[run["verdict"]]
    events = await replayed(records.data / run["recording"]["file"])
    assert scans(events) == run["quality"]["scans_received"] > 0
    holes = gaps(events)
    assert not [r["name"] for r in run["readings"] if touched(tuple(r["window"]), holes)]
    return code, errors, run


# What happens on the line of a run, by a fault of the simulated line: the verdicts that may come of it, the reason, and
# words of the message.
ON_THE_LINE = {
    "garbage": ("garbage:22:4000", {"pass"}, "", ("line to the device", "damaged", "check cable, plugs and baud rate")),
    "flipped bits": ("flips:0.0001", {"pass", "undecided", "void"}, None, ("line to the device", "damaged")),
    "lost frames": ("loss:0.01", {"pass", "undecided", "void"}, None, ("line to the device", "lost", "no reading")),
    "unplugged": ("unplug:12", {"void"}, "link down", ("scripted", "the line is gone", "check cable and power")),
    "reset": ("reset:12", {"void"}, "device reset", ("scripted", "has restarted", "look at its supply and cable")),
    "fallen silent": ("stall:12:5", {"void"}, "link silent", ("no sound frame for",)),
}


@pytest.mark.parametrize("name", ON_THE_LINE)
async def test_on_the_line_in_mid_run(records: Records, name: str) -> None:
    fault, verdicts, why, words = ON_THE_LINE[name]
    _, errors, run = await foreground(SCRIPTED + fault, records)
    assert run["verdict"] in verdicts
    assert why is None or run["why"] == why
    for word in words:
        assert word in errors
    quality = run["quality"]
    spoilt = quality["frames_bad"] + quality["frames_lost"] + quality["scans_expected"] - quality["scans_received"]
    assert spoilt or run["verdict"] == "void"
    if "line to the device" in words:
        assert [e for e in run["events"] if e.get("code") == "line_bad"]
    if run["verdict"] == "void" and why:  # ended at 12 s, behind the dry check
        assert [r["name"] for r in run["readings"]] == ["dry_check.current"]


@pytest.mark.parametrize("tcp", [False, True], ids=["serial", "TCP"])
async def test_a_real_line_that_is_unplugged(records: Records, tcp: bool) -> None:
    rig = Rig(load_scenario("scripted"), "good-pump", script=True, faults="unplug:40")
    async with (
        simulated_from_stream(rig, PACE, tcp=tcp) as stand,
        steadyhead(*records.run_words(stand.address), stdin=True) as child,
    ):
        stand.confirmed = child.say
        code, errors, run = await closed(child, records)
    assert (code, run["why"]) == (Exit.VOID, "link down")
    for word in (stand.address, "the line is gone", "check cable and power"):
        assert word in errors
    assert run["quality"]["scans_received"] > 1000


@dataclass(eq=False)
class Foreign:
    """A device that says of itself that it speaks another version of the link; all else is as it should be."""

    version: int
    rig: Rig
    line: PtyLine | None = None

    def receive(self, data: bytes) -> None:
        self.rig.write(data)
        assert self.line is not None
        self.line.send(self._altered(self.rig.firmware.take()))

    def _altered(self, data: bytes) -> bytes:
        identity = self.rig.firmware.identity
        pieces = Deframer(Layout.of(identity), opened=False).feed(data)
        out = b""
        for piece in pieces:
            mine = piece.frame == identity
            out += encode(piece.seq, replace(identity, protocol=self.version)) if mine else piece.wire
        return out


@asynccontextmanager
async def foreign() -> AsyncIterator[str]:
    device = Foreign(2, Rig(load_scenario("depot"), "good-pump"))
    device.line = PtyLine(device.receive)
    try:
        yield device.line.address
    finally:
        await device.line.close()


@pytest.mark.parametrize("command", ["run", "serve"])
async def test_another_version_of_the_link(records: Records, mosquitto: Mosquitto, command: str) -> None:
    async with foreign() as address:
        words = records.run_words(address) if command == "run" else records.serve_words(address, mosquitto)
        async with steadyhead(*words) as child:
            code, errors = await child.ended()
    assert code == Exit.INTERNAL
    for word in (address, "version 2", "expected version 1", "load a matching firmware"):
        assert word in errors
    assert records.runs() == []


# Sensors that show what cannot be: a line of the scenario that is changed, and the channel.
SENSORS = {
    "pressure": ("out_low_v = 0.2\nout_high_v = 4.8", "out_low_v = 0.1\nout_high_v = 0.2"),
    "temperature": ("volts_at_zero = 0.5                # at 0 °C", "volts_at_zero = 4.5"),
}


@pytest.mark.parametrize("channel", SENSORS)
async def test_a_channel_outside_its_span(records: Records, tmp_path: Path, channel: str) -> None:
    good, broken = SENSORS[channel]
    text = (CONFIG / "scenarios" / "depot.toml").read_text(encoding="utf-8")
    assert text.count(good) == 1
    (tmp_path / "broken").write_text(text.replace(good, broken), encoding="utf-8")
    code, errors, run = await foreground(f"sim://{tmp_path}/broken/good-pump", records)
    assert code == Exit.VOID
    assert f"the {channel} channel is outside its span" in errors
    assert "check the sensor, its plug and its supply" in errors
    assert {r["stage"] for r in run["readings"]} <= {"dry_check"}
    assert f"{channel}_faulty" in {e.get("code") for e in run["events"]}


async def test_a_part_that_nobody_knows(records: Records) -> None:
    async with steadyhead(*records.run_words("sim://scripted?script=1", part="MH-9999")) as child:
        code, errors = await child.ended()
    assert code == Exit.USAGE
    assert child.output == []
    for word in ("MH-9999", "MH-2101"):
        assert word in errors


@pytest.mark.parametrize("command", ["run", "serve"])
async def test_a_requirement_in_the_wrong_unit(
    records: Records, tmp_path: Path, mosquitto: Mosquitto, command: str
) -> None:
    config = tmp_path / "config"
    shutil.copytree(CONFIG, config)
    part = config / "parts" / "mh-2101.toml"
    part.write_text(part.read_text(encoding="utf-8").replace('"110 L/h"', '"110 L"'), encoding="utf-8")
    device = "sim://scripted?script=1"
    words = {
        "run": records.run_words(device, config=config),
        "serve": records.serve_words(device, mosquitto, config=config),
    }
    async with steadyhead(*words[command]) as child:
        code, errors = await child.ended()
    assert code == Exit.USAGE
    assert re.search(r"mh-2101\.toml: requirement\[2\].*at_least: expected .*flow.*, found .*110 L", errors), errors
    assert not records.data.exists()


async def test_a_failed_unit_ends_with_10_and_its_verdict_is_stored(records: Records) -> None:
    code, _, run = await foreground("sim://depot/weak-pump", records)
    assert (code, run["verdict"]) == (Exit.FAIL, "fail")
    assert "not_met" in {f["finding"] for f in run["findings"]}


async def test_interrupted_a_run_is_void_and_kept(records: Records) -> None:
    rig = Rig(load_scenario("scripted"), "good-pump", script=True)
    async with simulated(rig, PACE) as stand, steadyhead(*records.run_words(stand.address), stdin=True) as child:
        under_way = asyncio.Event()
        stand.confirmed = lambda _: under_way.set()
        await asyncio.wait_for(under_way.wait(), 20)
        code, _ = await child.end(signal.SIGINT)
    [run] = records.runs()
    assert (code, run["verdict"], run["why"]) == (Exit.INTERRUPTED, "void", "interrupted")
