"""Line faults: what each does to the bytes, in each direction."""

import pytest

from simulator.errors import UnknownNameError
from simulator.faults import TABLE, FaultError, LineFaults, frames_of

FRAMES = b"".join(bytes([1 + k % 200, 2, 3]) + b"\0" for k in range(2000))


def at_host(text: str, data: bytes = FRAMES, now: float = 0.0, seed: int = 1) -> bytes:
    return b"".join(LineFaults(text, seed).to_host(data, now))


@pytest.mark.parametrize(
    ("data", "cut"),
    [
        (b"", []),
        (b"\0", [b"\0"]),
        (b"ab\0", [b"ab\0"]),
        (b"\0ab\0c", [b"\0", b"ab\0", b"c"]),
        (b"ab", [b"ab"]),
    ],
)
def test_frames_end_with_a_zero(data: bytes, cut: list[bytes]) -> None:
    assert frames_of(data) == cut


@pytest.mark.parametrize("text", ["", "perfect", "bytes", "stall:5:1", "reset:3", "delay:0", "loss:0", "flips:0"])
def test_these_change_no_byte(text: str) -> None:
    assert at_host(text) == FRAMES


def test_one_byte_at_a_time() -> None:
    assert LineFaults("bytes").to_host(b"ab\0", 0.0) == [b"a", b"b", b"\0"]


def test_loss_takes_whole_frames() -> None:
    left = frames_of(at_host("loss:0.1"))
    assert len(left) == pytest.approx(1800, abs=60)
    assert all(len(frame) == 4 for frame in left)


def test_duplicates_come_right_behind() -> None:
    came = at_host("duplicates:0.1")
    assert len(came) - len(FRAMES) == pytest.approx(4 * 200, abs=240)
    assert came[: came.find(b"\0") + 1] == FRAMES[:4]


def test_flips_turn_single_bits() -> None:
    came = at_host("flips:0.01")
    wrong = [(a ^ b).bit_count() for a, b in zip(FRAMES, came, strict=True) if a != b]
    assert len(wrong) == pytest.approx(80, abs=35)
    assert set(wrong) == {1}


def test_a_delay_holds_everything_back() -> None:
    faults = LineFaults("delay:0.1")
    assert faults.to_host(b"a\0", 0.0) == []
    assert faults.to_host(b"b\0", 0.05) == []
    assert faults.to_host(b"", 0.1) == [b"a\0"]
    assert faults.to_host(b"", 0.2) == [b"b\0"]


def test_a_stall_gives_everything_at_its_end() -> None:
    faults = LineFaults("stall:1:2")
    assert faults.to_host(b"a\0", 0.9) == [b"a\0"]
    assert faults.to_host(b"b\0", 1.0) == []
    assert faults.to_host(b"c\0", 2.9) == []
    assert b"".join(faults.to_host(b"d\0", 3.0)) == b"b\0c\0d\0"


def test_garbage_comes_once() -> None:
    faults = LineFaults("garbage:1:50")
    assert faults.to_host(b"a\0", 0.5) == [b"a\0"]
    came = b"".join(faults.to_host(b"a\0", 1.0))
    assert len(came) == 52
    assert faults.to_host(b"a\0", 1.1) == [b"a\0"]


def test_unplugged_nothing_passes_either_way() -> None:
    faults = LineFaults("unplug:2")
    assert not faults.unplugged(1.9)
    assert faults.unplugged(2.0)
    assert faults.to_host(b"a\0", 2.0) == []
    assert faults.to_device(b"a\0", 2.0) == b""


def test_a_reset_happens_once() -> None:
    faults = LineFaults("reset:2")
    assert [faults.take_reset(t) for t in (1.9, 2.0, 2.1)] == [False, True, False]


def test_faults_stand_one_behind_the_other() -> None:
    assert len(frames_of(at_host("loss:0.5,duplicates:1"))) == pytest.approx(2000, abs=180)


def test_the_same_seed_does_the_same() -> None:
    text = "loss:0.1,flips:0.001,duplicates:0.1,garbage:0:30"
    assert at_host(text, seed=4) == at_host(text, seed=4) != at_host(text, seed=5)


def test_without_a_time_it_acts_at_once() -> None:
    faults = LineFaults()
    faults.add("unplug", 7.0)
    assert faults.unplugged(7.0)
    assert not faults.unplugged(6.9)


def test_mistakes() -> None:
    with pytest.raises(UnknownNameError, match=r"line fault 'los'.*loss"):
        LineFaults("los:0.1")
    for text in ("loss:much", "loss:0.1:3", "stall:-1"):
        with pytest.raises(FaultError, match=text):
            LineFaults(text)
    assert "perfect" in TABLE
