"""Lines as a board prints them, and events in a form that can be compared."""

from collections.abc import Iterable, Iterator, Sequence

from drivers.block import Block, Event
from drivers.text_lines_decode import Splitter, TextDecoder
from drivers.text_lines_header import Layout

HEADER = "time [s], pressure [kPa], voltage [V], current [A], temperature [degC], edges, last_edge_us\r\n"
PLAIN = "time [s], pressure [kPa]\n"


def lines(
    n: int, *, hz: float = 100.0, begin: float = 1.0, pulses: float = 140.0, first: int = 0, wraps: int = 1 << 32
) -> list[str]:
    """`n` lines of a board that has run for `begin` seconds; edge k comes at k / `pulses` seconds of its clock, whose
    microseconds and edge count wrap like 32 and the given number of bits."""
    made = []
    for k in range(first, first + n):
        t = begin + k / hz
        edges = int(t * pulses + 1e-9)
        last = round(edges / pulses * 1e6) % (1 << 32)
        made.append(f"{t:.6f}, {400 + k % 7 / 10:.1f}, 13.50, 5.{k % 10}0, 23.1, {edges % wraps}, {last}\r\n")
    return made


def plain(times: Iterable[float], value: str = "400.0") -> list[str]:
    """Lines for `PLAIN`."""
    return [f"{t:.6f}, {value}\n" for t in times]


def text(*parts: str | Sequence[str]) -> bytes:
    return "".join(part if isinstance(part, str) else "".join(part) for part in parts).encode()


def decoded(data: bytes, given: Layout | None = None) -> tuple[TextDecoder, list[Event]]:
    """Everything that came, and the decoder that it came through."""
    splitter, decoder = Splitter(), TextDecoder("board", given)
    return decoder, [event for piece in splitter.feed(data) for event in decoder.take(piece)]


def blocks(events: Iterable[Event]) -> list[Block]:
    return [event for event in events if isinstance(event, Block)]


def comparable(events: Iterable[Event]) -> Iterator[object]:
    for e in events:
        if isinstance(e, Block):
            yield (e.boot, e.tick, e.index, repr(e.values.tolist()), e.edges.tolist(), e.last_edge.tolist(), e.missing)
        else:
            yield e
