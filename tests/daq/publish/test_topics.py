"""Topics of a stand."""

import pytest

from daq.publish.topics import Topics

TOPICS = Topics("steadyhead", "marrow-hill", "bench-1")


def test_where_things_lie() -> None:
    assert TOPICS.of("verdict") == "steadyhead/v1/marrow-hill/bench-1/verdict"
    assert TOPICS.reply("start") == "steadyhead/v1/marrow-hill/bench-1/cmd/start/reply"
    assert TOPICS.client_id == "steadyhead-marrow-hill-bench-1"


@pytest.mark.parametrize(
    ("below", "name"),
    [("cmd/start", "start"), ("cmd/start/reply", None), ("cmd/", None), ("verdict", None), ("cmd", None)],
)
def test_only_requests_are_requests(below: str, name: str | None) -> None:
    assert TOPICS.command(TOPICS.of(below)) == name
    assert TOPICS.command("elsewhere/" + below) is None


@pytest.mark.parametrize("name", ["", "Bench", "bench 1", "bench/1", "+", "bänch"])
def test_a_name_that_is_no_topic_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=r"topic stand .*: expected only a to z"):
        Topics("steadyhead", "marrow-hill", name)


def test_nobody_can_have_answers_written_over_our_states() -> None:
    assert TOPICS.may_answer_on("plc-4/answers")
    # Wildcards are not allowed in a topic name: OASIS MQTT Version 5.0 (2019), [MQTT-3.3.2-2].
    for forbidden in (TOPICS.of("verdict"), TOPICS.base, "a/+", "a/#", "$SYS/a", "", "a\0b"):
        assert not TOPICS.may_answer_on(forbidden)
