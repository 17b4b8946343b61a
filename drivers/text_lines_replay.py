"""Text lines in a recording: how its header says where the lines begin, and the lines read again."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drivers.block import Event, Identity, LinkCounts, Status
from drivers.text_lines_decode import Splitter, TextDecoder
from drivers.text_lines_header import Layout, read_header
from drivers.text_lines_known import State, state_body, state_of

RECORDED = "text_lines"
"""The key of a recording's header below which this stands."""


def body_of(device_id: str, given: Layout | None, state: State, since: Sequence[bytes], told: int) -> dict[str, object]:
    """Where a recording begins: a state, the pieces since then, and how many events of the last one were told."""
    return {
        "device_id": device_id,
        "given": given.text if given else None,
        "state": state_body(state),
        "since": b"".join(since).hex(),
        "told": told,
    }


class TextReader:
    """Text lines, as they were printed.

    Raises:
        KeyError, TypeError, ValueError: `body` is none that `body_of` gave.
    """

    status: Status | None = None

    def __init__(self, body: Mapping[str, Any], counts: LinkCounts) -> None:
        name, given = str(body["device_id"]), body["given"]
        layout = None if given is None else read_header(given)
        self._splitter = Splitter()
        self._decoder = TextDecoder(name, layout, counts, state_of(body["state"], name))
        self.first: list[Event] = []
        for piece in self._splitter.feed(bytes.fromhex(body["since"])):
            self.first = self._decoder.take(piece)
        self.first = self.first[int(body["told"]) :]
        if self._decoder.identity is None:
            raise ValueError("a board of which nothing is known")

    @property
    def identity(self) -> Identity:
        identity = self._decoder.identity
        assert identity is not None, "a decoder forgets no board"
        return identity

    def read(self, data: bytes) -> Iterator[tuple[bytes, list[Event]]]:
        for piece in self._splitter.feed(data):
            yield piece, self._decoder.take(piece)

    def lost(self) -> None:
        self._splitter = Splitter()
        self._decoder.lost()
