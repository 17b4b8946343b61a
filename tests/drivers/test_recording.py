"""The recording file: round trip, a tail cut off, damage."""

import hashlib
import os
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.block import Link, LinkChange
from drivers.recording import (
    MAGIC,
    Cut,
    End,
    Entry,
    Header,
    Kind,
    Note,
    RecordingError,
    RecordingWriter,
    link_change,
    read_recording,
)

HEADER: dict[str, object] = {"address": "sim://marrow-hill/bench-1", "identity_frame": "00"}


def written(path: Path) -> list[Entry]:
    writer = RecordingWriter(path, HEADER)
    writer.wire(b"\x02\x41\x03\xf2\x23\x00")
    writer.note("confirm", {"what": "in_fluid", "by": "Ø"})
    writer.wire(b"\x01\x00")
    writer.close({"verdict": "pass"})
    return [
        Header(HEADER),
        b"\x02\x41\x03\xf2\x23\x00",
        Note("confirm", {"what": "in_fluid", "by": "Ø"}),
        b"\x01\x00",
        End({"verdict": "pass"}),
    ]


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    assert written(path) == list(read_recording(path))


def test_size_and_digest_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    writer = RecordingWriter(path, HEADER)
    writer.wire(b"abc\0")
    done = writer.close({})
    data = path.read_bytes()
    assert (done.path, done.size, done.sha256) == (path, len(data), hashlib.sha256(data).hexdigest())


def test_every_entry_is_in_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    writer = RecordingWriter(path, HEADER)
    writer.wire(b"abc\0")
    assert [e for e in read_recording(path) if not isinstance(e, Cut)] == [Header(HEADER), b"abc\0"]
    writer.close({})


def test_a_cut_at_any_place_keeps_what_came_before(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    entries = written(path)
    data = path.read_bytes()
    for length in range(len(MAGIC), len(data)):
        path.write_bytes(data[:length])
        *found, last = read_recording(path)
        assert isinstance(last, Cut)
        assert found == entries[: len(found)]
        assert last.offset <= length


def test_zeros_where_entries_should_be_are_a_cut(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    entries = written(path)
    data = path.read_bytes()
    end = data.rindex(b'{"verdict"') - 7
    path.write_bytes(data[:end] + bytes(500))
    *found, last = read_recording(path)
    assert found == entries[:-1]
    assert last == Cut(end, "500 zero bytes instead of entries")


def test_a_long_tail_of_zeros_is_read_piece_by_piece(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    written(path)
    content = path.read_bytes()
    with path.open("r+b") as file:
        file.truncate(content.rindex(b'{"verdict"') - 7)
        file.truncate(len(content) + 200_000_000)  # holes take no room on the disk
    tracemalloc.start()
    *_, last = read_recording(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert isinstance(last, Cut)
    assert peak < 2_000_000


@pytest.mark.parametrize("text", [b"[" * 100_000, b'{"kind": "confirm", "body": {"x": NaN}}', b'{"kind": 1}', b"\xff"])
def test_a_note_that_is_no_json_is_damage(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "run.rec"
    writer = RecordingWriter(path, {})
    writer._entry(Kind.NOTE, text)
    writer.close({})
    with pytest.raises(RecordingError, match=r"byte \d+: expected "):
        list(read_recording(path))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_flipped_bit_is_found(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "run.rec"
    path.unlink(missing_ok=True)
    written(path)
    raw = bytearray(path.read_bytes())
    place = data.draw(st.integers(0, len(raw) - 1))
    raw[place] ^= 1 << data.draw(st.integers(0, 7))
    path.write_bytes(raw)
    with pytest.raises(RecordingError, match=r"byte \d+: expected .* found"):
        list(read_recording(path))


def test_what_is_no_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear depot, ...")
    with pytest.raises(RecordingError, match=r"letter\.txt, byte 0: expected .* no recording"):
        list(read_recording(path))
    with pytest.raises(RecordingError, match="cannot be read"):
        list(read_recording(tmp_path / "nowhere.rec"))


def test_bytes_behind_the_end_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    written(path)
    path.write_bytes(path.read_bytes() + b"x")
    with pytest.raises(RecordingError, match="nothing behind the end"):
        list(read_recording(path))


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "run.rec"
    written(path)
    before = path.read_bytes()
    with pytest.raises(RecordingError, match="cannot be created"):
        RecordingWriter(path, HEADER)
    assert path.read_bytes() == before


def test_writing_after_the_end_is_our_mistake(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "run.rec", HEADER)
    writer.close({})
    with pytest.raises(RecordingError, match=r"after close\(\)"):
        writer.wire(b"x")


def test_a_full_disk_is_told() -> None:
    with pytest.raises(RecordingError, match=r"/dev/full: cannot be (written|created)"):
        RecordingWriter(Path("/dev/full"), HEADER)


def test_link_changes_travel_as_notes(tmp_path: Path) -> None:
    change = LinkChange(Link.SILENT, "no sound frame for 1.0 s")
    writer = RecordingWriter(tmp_path / "run.rec", HEADER)
    writer.link(change)
    writer.close({})
    _, note, _ = read_recording(tmp_path / "run.rec")
    assert isinstance(note, Note)
    assert link_change(note) == change
    assert link_change(Note("confirm", {"link": "UP"})) is None


def test_the_end_returns_when_file_and_name_are_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that is not on the disk is gone with the power, whatever the file holds: fsync(2)."""
    real, synced = os.fsync, []

    def fsync(handle: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    path = tmp_path / "run.rec"
    recording = RecordingWriter(path, {})
    recording.wire(b"scans")
    assert synced == []
    recording.close({})
    assert synced == [str(path), str(tmp_path)]
