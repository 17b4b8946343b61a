"""What a line's controller does with verdicts, and the zero at rest: by the orders that come in."""

import asyncio
from typing import Any

import pytest

from daq.publish import contract as c
from daq.record.errors import RecordError
from daq.record.store import Store
from daq.stand.errors import RefusedError
from daq.stand.line import Line
from daq.stand.orders import Orders
from daq.stand.said import Zeroed
from tests.daq.publish.conftest import until
from tests.daq.stand.bench import STREAMING, Bench
from tests.daq.stand.conftest import OpenBench


async def line_of(bench: Bench, *, must: bool = True) -> tuple[Line, Orders]:
    line = Line(bench.stand, bench.store, must_acknowledge=must)
    await line.begin()
    bench.stand.listeners.append(line.hear)
    return line, Orders(bench.stand, line)


async def verdict(bench: Bench) -> c.ResultData:
    """A verdict soon to be had: an aborted run is void."""
    run = await bench.begin()
    bench.stand.abort(run)
    return (await bench.ended(run)).data


async def ask(orders: Orders, name: str, **fields: Any) -> c.Reply:
    return await orders.handle(name, c.COMMANDS[name](request_id="r1", valid_ms=1000, **fields))


async def test_no_run_begins_before_the_newest_verdict_was_acknowledged(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        _, orders = await line_of(bench)
        data = await verdict(bench)
        assert bench.stand.blocked_by == ("not_acknowledged",)
        held = await ask(orders, "start", part="MH-2101")
        assert (held.state, "not_acknowledged" in held.why) == ("refused", True)
        reply = await ask(orders, "acknowledge", seq=data.seq)
        assert (reply.state, reply.run) == ("done", data.run)
        assert bench.stand.stage.blocked_by == ()
        assert (await ask(orders, "start", part="MH-2101")).state == "accepted"


async def test_without_the_option_nothing_waits_and_reading_is_kept_all_the_same(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        _, orders = await line_of(bench, must=False)
        data = await verdict(bench)
        assert bench.stand.blocked_by == ()
        for _ in range(2):  # said twice, kept once
            assert (await ask(orders, "acknowledge", seq=data.seq)).state == "done"
        assert await bench.events(data.run, "acknowledged") == [{"seq": data.seq}]


async def test_a_restart_forgets_no_verdict_that_was_not_read(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        data = await verdict(bench)
        line, _ = await line_of(bench)
        assert bench.stand.blocked_by == ("not_acknowledged",)
        await line.acknowledge(data.seq)
        await line_of(bench)
        assert bench.stand.blocked_by == ()


async def test_an_older_verdict_is_not_the_newest(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        first = await verdict(bench)
        line, _ = await line_of(bench)
        await line.acknowledge(first.seq)
        second = await verdict(bench)
        await line.acknowledge(first.seq)
        assert bench.stand.blocked_by == ("not_acknowledged",)
        await line.acknowledge(second.seq)
        assert bench.stand.blocked_by == ()


@pytest.mark.parametrize(("name", "field"), [("acknowledge", "seq"), ("resend", "from_seq")])
async def test_a_verdict_that_is_not_there(open_bench: OpenBench, name: str, field: str) -> None:
    async with open_bench() as bench:
        _, orders = await line_of(bench)
        none = await ask(orders, name, **{field: 1})
        assert (none.state, "found none yet" in none.why) == ("refused", True)
        await verdict(bench)
        late = await ask(orders, name, **{field: 2})
        assert (late.state, "found 1 to 1" in late.why) == ("refused", True)
        assert bench.stand.blocked_by == ("not_acknowledged",)


async def test_a_record_that_does_not_answer_acknowledges_nothing(
    open_bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*_: object) -> str:
        raise RecordError("database locked")

    async with open_bench() as bench:
        _, orders = await line_of(bench)
        data = await verdict(bench)
        with monkeypatch.context() as patch:
            patch.setattr(Store, "acknowledge", locked)
            reply = await ask(orders, "acknowledge", seq=data.seq)
        assert (reply.state, reply.why) == ("failed", "database locked")
        assert bench.stand.blocked_by == ("not_acknowledged",)


async def test_records_wait_once_more_from_a_seq_on_as_they_were(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        _, orders = await line_of(bench, must=False)
        runs = [(await verdict(bench)).run for _ in range(3)]
        outbox = bench.store.outbox(bench.stand.key)
        before = await outbox.unsent(10)
        for message in before:
            await outbox.mark_sent(message.id, bench.stand._now())
        assert await outbox.unsent(10) == []
        assert (await ask(orders, "resend", from_seq=2)).state == "done"
        await asyncio.wait_for(outbox.changed(), 1)
        assert await outbox.unsent(10) == before[1:]
        younger = await verdict(bench)
        again = [c.Result.model_validate_json(m.payload).id for m in await outbox.unsent(10)]
        assert again == [*runs[1:], younger.run]


async def test_what_was_fetched_before_a_resend_is_not_taken_for_sent_after_it(open_bench: OpenBench) -> None:
    async with open_bench() as bench:
        line, _ = await line_of(bench, must=False)
        await verdict(bench)
        outbox = bench.store.outbox(bench.stand.key)
        [message] = await outbox.unsent(10)
        await line.send_again(1)
        await outbox.mark_sent(message.id, bench.stand._now())
        assert await outbox.unsent(10) == [message]


async def test_the_zero_of_a_stand_at_rest(open_bench: OpenBench) -> None:
    async with open_bench(STREAMING) as bench:
        _, orders = await line_of(bench, must=False)

        async def at_rest() -> bool:
            return "nothing shows that the line is open" in (await ask(orders, "zero")).why

        await until(at_rest)
        assert not bench.all(Zeroed)
        reply = await ask(orders, "zero", valve_open=True)
        assert reply.zero is not None
        pressure, current = reply.zero.pressure, reply.zero.current
        assert (pressure.unit, pressure.reference, current.unit) == ("kPa", "gauge", "A")
        limits = bench.stand.config.stand.channels
        assert abs(pressure.value) <= limits.pressure.zero_limit / 1e3
        assert abs(current.value) <= limits.shunt.zero_limit
        assert bench.all(Zeroed)


async def test_no_zero_while_a_run_is_under_way_or_the_line_is_down(open_bench: OpenBench) -> None:
    async with open_bench(STREAMING) as bench:
        _, orders = await line_of(bench, must=False)
        run = await bench.begin()
        reply = await ask(orders, "zero")
        assert (reply.state, reply.zero, "run_under_way" in reply.why) == ("refused", None, True)
        bench.stand.abort(run)
        await bench.ended(run)
        bench.device.rig.faults.add("unplug", bench.device.rig.time)
        await until(lambda: "link_down" in bench.stand.blocked_by)
        with pytest.raises(RefusedError, match="link_down"):
            await bench.stand.zero()
        assert not bench.all(Zeroed)
