"""What a device showed, as sections of text: pairs and tables."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from daq.cli.output import put_pairs, put_table, table
from daq.cli.setup_device_words import (
    converter_text,
    counted,
    input_rows,
    inputs_text,
    number_text,
    output_rows,
    pace_texts,
    pulse_name,
    pulse_text,
    quantity_text,
)
from daq.stand.bringup_checks import Remark, reset_text, role_name
from daq.stand.seen import ChannelSeen, Seen, Span

CHANNEL_HEAD = ("#", "channel", "converter", "newest", "min", "max", "volts", "quantity", "")
NUMBERS = ("newest", "min", "max", "volts", "quantity")
MARKS = {Span.INSIDE: "", Span.BELOW: "LOW", Span.ABOVE: "HIGH", Span.CONVERTER_END: "END", Span.NO_VALUE: "NONE"}


@dataclass(frozen=True, slots=True)
class Opened:
    """What is known of a device before it is watched. `stand` is its name, "" where none was read; `took` the seconds
    from opening to its first word."""

    address: str
    simulated: bool
    virtual: bool
    stand: str
    took: float


@dataclass(frozen=True, slots=True)
class Section:
    """Rows under an optional head; without one they are pairs."""

    rows: Sequence[tuple[str, ...]]
    head: tuple[str, ...] = ()


def sections(opened: Opened, seen: Seen, found: Sequence[Remark], *, brief: bool = False) -> list[Section]:
    """All there is to see; `brief` leaves out what does not change."""
    channels = Section([channel_row(seen, channel) for channel in seen.channels], CHANNEL_HEAD)
    looked = Section([*_remarks(opened, found)])
    if brief:
        return [Section(_name(opened, seen)), channels, Section(_changing(opened, seen)), looked]
    signals = _pulses(seen) + input_rows(seen.identity, seen.status) + output_rows(seen.identity, seen.status)
    return [Section(_identity(opened, seen)), channels, Section(signals), Section(_link(opened, seen)), looked]


def _name(opened: Opened, seen: Seen) -> list[tuple[str, str]]:
    return [("device", f"{seen.identity.device_id} at {opened.address}{', simulated' * opened.simulated}; Ctrl-C ends")]


def _changing(opened: Opened, seen: Seen) -> list[tuple[str, str]]:
    """What may change while one looks; it fits into 24 lines with all the rest."""
    changing = [row for row in output_rows(seen.identity, seen.status) if row[0] not in ("supply", "limits")]
    link = [row for row in _link(opened, seen) if row[0] in ("frames", "scans", "blocks late")]
    return [*_pulses(seen), ("inputs", inputs_text(seen.identity, seen.status)), *changing, *link]


def _identity(opened: Opened, seen: Seen) -> list[tuple[str, str]]:
    identity = seen.identity
    captures = f"up to {counted(identity.burst_max_total)} samples, {counted(identity.burst_max_hz)} a second"
    zeros = [f"{role_name(a.role)} {a.zero_count}" for a in identity.analog if a.zero_count]
    rows = [
        ("device", identity.device_id),
        ("at", opened.address + ", simulated" * opened.simulated),
        ("stand", opened.stand or "unknown: without its file there are no quantities"),
        ("firmware", f"{identity.firmware}{f', link version {identity.protocol}' if identity.protocol else ''}"),
        ("started", ", after ".join([f"boot {identity.boot}", *filter(None, [reset_text(identity.reset_cause)])])),
        ("rate", f"{counted(identity.sample_hz)} scans/s, {counted(identity.tick_hz)} ticks/s"),
        ("captures", captures if identity.burst_max_hz else "none"),
    ]
    return rows + ([("at 0 V", ", ".join(zeros) + " counts")] if zeros else [])


def channel_row(seen: Seen, channel: ChannelSeen) -> tuple[str, ...]:
    """A channel in the order of CHANNEL_HEAD."""
    raw = (channel.newest, channel.low, channel.high)
    counts = [f"{x:.0f}" if channel.in_counts else number_text(channel.role, x) for x in raw]
    return (
        str(channel.index),
        role_name(channel.role),
        converter_text(seen.identity.analog[channel.index], channel.in_counts),
        *counts,
        "" if channel.volts is None else f"{channel.volts:.4f}",
        quantity_text(channel),
        MARKS[channel.span],
    )


def _pulses(seen: Seen) -> list[tuple[str, str]]:
    return [(pulse_name(pulse.role), pulse_text(pulse)) for pulse in seen.pulses]


def _link(opened: Opened, seen: Seen) -> list[tuple[str, str]]:
    counts, status = seen.counts, seen.status
    clock, late = pace_texts(seen.pace, opened.virtual, seen.identity.sample_hz)
    displaced = f", {counted(seen.displaced)} displaced by a capture" if seen.displaced else ""
    heard = [("it heard", f"{status.rx_bad} bad frames, {status.rx_gap} missing")] if status else []
    return [
        ("frames", f"{counted(counts.frames)} sound, {counts.bad} bad, {counts.lost} lost, "
                   f"{counts.repeated} repeated, {counts.unknown} unknown"),
        ("scans", f"{counted(seen.scans)} in {seen.seconds:.2f} s, {counted(seen.missing)} missing{displaced}; "
                  f"up to {seen.per_block} in a block"),
        ("its clock", clock),
        *([("blocks late", late)] if late else []),
        *heard,
        ("restarts", str(counts.resets)),
        ("answered", f"{opened.took:.2f} s after the port was opened"),
    ]  # fmt: skip


def _remarks(opened: Opened, found: Sequence[Remark]) -> Iterator[tuple[str, str]]:
    for remark in found:
        yield ("STOPS A RUN" if remark.blocks else "look at", f"{remark.found}; {remark.do}")
    if opened.stand and not any(remark.blocks for remark in found):
        yield ("ready", "all channels that a run needs are there, and nothing keeps one from starting")


def put_sections(shown: Sequence[Section]) -> None:
    """Writes them where a program reads: tabs between fields, no heads."""
    for section in shown:
        if section.head:
            put_table(section.head, section.rows)
        else:
            put_pairs([(name, text) for name, text in section.rows])


def in_terminal_width(shown: Sequence[Section], width: int) -> Any:
    """The same for a terminal, as something that rich prints."""
    from rich.console import Group
    from rich.text import Text

    parts: list[Any] = []
    names = max((len(row[0]) for s in shown if not s.head for row in s.rows), default=0)
    for section in shown:
        if section.head:
            parts.append(table(section.head, section.rows, NUMBERS))
        elif section.rows:
            parts += [Text(""), Text("\n".join(_pair(name, text, names, width) for name, text in section.rows))]
    return Group(*parts[1:] if parts and isinstance(parts[0], Text) else parts)


def _pair(name: str, text: str, names: int, width: int) -> str:
    lines = textwrap.wrap(text, max(width - names - 2, 20), break_on_hyphens=False) or [""]
    return "\n".join([f"{name:<{names}}  {lines[0]}", *(" " * (names + 2) + line for line in lines[1:])])
