"""One stand: the loop that takes its device's events, and the one door through which commands come.

Everything here happens in one task of the event loop, but for what waits for a disk.
"""

import asyncio
import logging
import time
from collections.abc import Callable, Coroutine, Mapping
from datetime import UTC, datetime
from typing import Any

from daq import __version__
from daq.catalogue.errors import CatalogueError
from daq.catalogue.load import Catalogue, Entry
from daq.catalogue.stand_file import StandConfig
from daq.measure.convert import Zero
from daq.measure.errors import MeasureError
from daq.measure.scatter import Known
from daq.procedure.crosschecks import faulty, reference_alarm
from daq.procedure.effects import Alarm, CaptureWanted, Effect, Ended, Noted, Outputs, StageNow
from daq.procedure.run import ConfirmError, Run
from daq.record.async_store import AsyncStore
from daq.record.errors import RecordError
from daq.record.store import Store
from daq.record.uuid7 import uuid7
from daq.record.values import Alike, StartedRun, stand_key
from daq.stand import active as running
from daq.stand.active import ActiveRun
from daq.stand.capturing import Capturing
from daq.stand.clock_watch import ClockWatch, keeps_wall_time
from daq.stand.errors import BLOCKED, RefusedError, blocked
from daq.stand.finish import STORE_FAILED, UNRECORDED, finish, recording_failed
from daq.stand.history import known_before
from daq.stand.idle import Idle
from daq.stand.lease import Lease
from daq.stand.ready import bars, make_ready
from daq.stand.request import StartRequest
from daq.stand.result import About
from daq.stand.room import lacking, needed
from daq.stand.said import Begun, Finished, Live, Said, Stage, Zeroed
from drivers.block import Block, DeviceReset, Event, Identity, Link, LinkChange, Replayed, Status
from drivers.device import Device, DriverError
from drivers.recording import RecordingError, RecordingWriter

logger = logging.getLogger(__name__)
INTERNAL = "internal error"
"""Why a run is void that a mistake of this program ended."""
NOT_DRIVEN = "not driven"
LOOK = "see that the pump is off; look at the line to the device, its supply and its protective inputs"
"""Why a run is void whose outputs the device did not set, and what a person does then."""
GIVE_UP_S = 15.0
"""So long a stand that is stopped goes on trying to store a verdict before it says that it could not."""
BREATH = 16
"""Blocks after which a simulation or replay lets the other tasks of the loop run."""


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Stand:
    """A stand in operation. `listeners` hear everything it says, in order; `taken` counts the blocks that it took."""

    def __init__(
        self,
        config: StandConfig,
        catalogue: Catalogue,
        store: AsyncStore,
        *,
        now: Callable[[], datetime] = _utc_now,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.config, self.catalogue, self.store = config, catalogue, store
        self.listeners: list[Callable[[Said], None]] = []
        self.key = stand_key(config.stand.site, config.stand.name)
        self.link = LinkChange(Link.DOWN, "not opened yet")
        self.device: Device | None = None
        self._now, self._clock = now, clock
        self.identity: Identity | None = None
        self._restarted = False  # and has not said since then who it is
        self._idle: Idle | None = None
        self._clocks: ClockWatch | None = None
        self._active: ActiveRun | None = None
        self._starting = asyncio.Lock()
        self._status: Status | None = None
        self._newest: Block | None = None
        self.taken = 0
        self._lease: Lease | None = None
        self._finishing: asyncio.Task[None] | None = None
        self._broken: BaseException | None = None
        self._notes: set[asyncio.Task[None]] = set()
        self._woken = asyncio.Event()
        self._giving_up = asyncio.Event()
        self._said: Stage | None = None
        self._last_run = ""
        self._removing = False
        self._held = False
        self._no_room: str | None = None
        self._capturing = Capturing(self._no_capture)

    # The loop.

    async def operate(self, device: Device) -> None:
        """Takes a device's events until it is gone for good. Sample time that is not wall time stands still between
        runs."""
        self.device = device
        breath = 0
        try:
            if device.virtual and self._active is None:
                self.attach(device)
                await self._wait_for_a_run()
            async for event in device.events():
                self._take(event)
                if self._broken is not None:
                    break
                if device.virtual and self._lease is not None and isinstance(event, Block):
                    await self._lease.turn()
                breath += 1
                if device.virtual and self._active is None and not self._restarted:
                    await self._wait_for_a_run()
                elif breath >= BREATH or self._lease is not None:  # a lease must not wait for a backlog of blocks
                    breath = 0
                    await asyncio.sleep(0)
        finally:
            await self._leave()

    def attach(self, device: Device) -> None:
        """Gets to know an open device before its events are taken, so that a run can begin with its very first scan."""
        self.device = device
        self._identify(device.identity)

    async def _wait_for_a_run(self) -> None:
        await self.settled()
        while self._active is None and self._broken is None:
            self._woken.clear()
            await self._woken.wait()

    async def _leave(self) -> None:
        try:
            if self._active is not None:
                self._effects(self._active.run.halt("device gone"))
        finally:
            if self._lease is not None:
                self._lease.end()
        if self.link.link is not Link.DOWN:
            self._set_link(LinkChange(Link.DOWN, "closed"))
        asyncio.get_running_loop().call_later(GIVE_UP_S, self._giving_up.set)
        try:
            await asyncio.shield(self.settled())
        finally:
            if self._broken is not None:
                raise self._broken

    async def settled(self) -> None:
        """Waits until a start that is being stored has begun, and what has ended is in the database."""
        async with self._starting:
            pass
        if self._lease is not None:
            await self._lease.ended()
        while self._finishing is not None or self._notes:
            pending = {t for t in (self._finishing, *self._notes) if t is not None}
            await asyncio.wait(pending)

    def _take(self, event: Event) -> None:
        if isinstance(event, Identity):
            self._identify(event)
        elif isinstance(event, DeviceReset):
            self._reset(event)
            return
        elif isinstance(event, LinkChange) and not (event.link is Link.UP and self.identity is None):
            self._set_link(event)
        elif isinstance(event, Replayed):
            self._keep_note(event.kind, event.body)
        if isinstance(event, Status):
            self._status = event
            if self._idle is not None:
                self._idle.status(event)
        if isinstance(event, Block):
            self._newest = event
            self.taken += 1
            self._compare_clocks(event)
        if self._active is not None:
            self._feed(self._active, event)
            if self._lease is not None and isinstance(event, Block):
                self._lease.handled(self._block_time())
        elif isinstance(event, Block) and self._idle is not None:
            self._feed_idle(self._idle, event)
        self._say_stage()

    def _feed_idle(self, idle: Idle, block: Block) -> None:
        """A mistake of ours between runs costs what was measured since the last one, and nothing else."""
        try:
            step = idle.feed(block)
        except Exception as error:
            logger.exception("stand %s: a mistake of this program between runs", self.key)
            text = f"stand {self.key}: a mistake of this program between runs: {type(error).__name__}: {error}"
            self._say(Alarm("internal_error", "warn", text, "report it with the log; a run can begin"))
            self._idle = Idle(self.config.stand.channels, idle.identity)
            return
        if step is not None:
            self._say(Live(step, None, "idle"))

    def _compare_clocks(self, block: Block) -> None:
        """Ends a run whose device has another second than this computer. No wire byte tells it, so it is noted for a
        replay. The time of a simulation or a replay is its own."""
        identity, clocks = self.identity, self._clocks
        if clocks is None or identity is None:
            return
        clocks.feed(block.tick / identity.tick_hz + (block.n - 1) / identity.sample_hz, self._clock())
        if clocks.found is None or self._active is None:
            return
        run, why = self._active.run, faulty(clocks.found)
        self._say(reference_alarm(clocks.found, run.stage, by_hand=not self.config.stand.driven))
        self._keep_note("abort", {"why": why})
        self._effects(run.halt(why))

    def _feed(self, active: ActiveRun, event: Event) -> None:
        """A mistake of ours in a run ends that run and nothing else: what stands on the bench must be switched off, and
        its record kept."""
        try:
            effects = active.feed(event)
        except Exception as error:
            logger.exception("run %s: a mistake of this program ended it", active.about.run)
            text = f"run {active.about.run}: a mistake of this program ended it: {type(error).__name__}: {error}"
            self._say(Alarm("internal_error", "stop", text, "report it with the run's recording"))
            self._keep_note("abort", {"why": INTERNAL})
            effects = active.run.halt(INTERNAL)
        self._effects(effects)

    def _identify(self, identity: Identity) -> None:
        self.identity, self._status, self._newest = identity, None, None
        self._restarted = False
        real = self.device is not None and keeps_wall_time(self.device)
        self._clocks = ClockWatch(self.config.stand.channels.clock_tolerance) if real else None
        self._say(identity)
        try:
            self._idle = Idle(self.config.stand.channels, identity)
        except MeasureError as error:
            self._idle = None
            self._say(Alarm("channel_missing", "stop", str(error), "correct the device, its wiring or stand.toml"))
        if self.link.link is not Link.UP:
            self._set_link(LinkChange(Link.UP, "identified"))

    def _reset(self, event: DeviceReset) -> None:
        text = f"device {self.config.device} has restarted: {event.reason}"
        self._say(
            Alarm("device_reset", "warn", text, "look at its supply and cable; a run under way counts for nothing")
        )
        if self._active is not None:
            before, now = self.identity, event.identity
            if before is not None and now is not None and before.boot == now.boot:
                # No wire byte tells this one from an answer; a replay must end here too.
                self._keep_note("abort", {"why": "device reset"})
            self._effects(self._active.feed(event))
        if event.identity is not None:
            self._identify(event.identity)
        else:
            self._restarted = True
            self._say_stage()

    def _set_link(self, change: LinkChange) -> None:
        if change.link is self.link.link and (change.link is Link.UP or change.reason == self.link.reason):
            return  # why a line is down may change; that it is up is all there is to say
        self.link = change
        self._keep(lambda recording: recording.link(change))
        self._say(change)
        self._say_stage()

    # Commands.

    @property
    def busy(self) -> bool:
        """Whether a run is beginning, under way, or not in the database yet."""
        return self._active is not None or self._starting.locked() or self._finishing is not None

    @property
    def powered(self) -> bool:
        """Whether a lease keeps power on a unit now."""
        return self._lease is not None and self._lease.powered

    @property
    def blocked_by(self) -> tuple[str, ...]:
        """Why no run can begin now, in words of `errors.BLOCKED`; empty where one can."""
        reasons = {
            "link_down": self.link.link is not Link.UP or self._restarted,
            "channel_missing": self.identity is not None and self._idle is None,
            "run_under_way": self._active is not None or self._starting.locked(),
            "storing": self._finishing is not None,
            "disk_full": self._no_room is not None,
            "power_on": self._active is None and self._idle is not None and self._idle.powered,
            "not_acknowledged": self._held,
            **bars(self.config.stand.drive, self.identity, self._status),
        }
        return tuple(word for word, holds in reasons.items() if holds)

    async def start(self, request: StartRequest) -> str:
        """Begins a run; gives its id.

        Raises:
            RefusedError: the part is unknown, the stand is not ready, or the run could not be recorded.
        """
        await self.look_for_room()
        if words := self.blocked_by:
            raise blocked(self.key, words, {"disk_full": self._no_room})
        try:
            entry = self.catalogue.entry(request.part)
        except CatalogueError as error:
            raise RefusedError(str(error), ("unknown_part",)) from error
        async with self._starting:
            try:
                run = self._run_of(entry, await self._known_before(entry))
                await self._make_ready(run, entry)
                self._begin(await self._prepare(request, entry), entry, run)
            except RecordError as error:
                raise RefusedError(f"stand {self.key}: the run cannot be recorded: {error}", ("record",)) from error
        self._woken.set()
        return self._last_run

    async def _known_before(self, entry: Entry) -> dict[str, Known]:
        config, part = self.config, entry.part
        simulated = self._opened().simulated
        site, stand = config.stand.site, config.stand.name
        return await known_before(self.store, Alike(site, stand, part.number, part.digest, config.digest, simulated))

    def _run_of(self, entry: Entry, history: Mapping[str, Known]) -> Run:
        assert self.identity is not None, "a stand whose link is up has an identity"
        years = running.years_since(self.config, self._now().date())
        return Run(entry.part, self.config.stand, self.identity, years, history)

    async def _make_ready(self, run: Run, entry: Entry) -> None:
        """Before a driven run the device knows its limits and no trip stands.

        Raises:
            RefusedError: it does not take them, or what made it trip is still there.
        """
        drive, device = self.config.stand.drive, self._opened()
        if drive is None or device.address.scheme == "replay":
            return
        try:
            await make_ready(device, entry.part, self.config.stand, run.stages, self._newest)
        except (DriverError, MeasureError, RefusedError) as error:
            raise RefusedError(f"stand {self.key}: cannot start: {error}", ("not_ready",)) from error

    async def _prepare(self, request: StartRequest, entry: Entry) -> About:
        device, config, part, run = self._opened(), self.config, entry.part, str(uuid7())
        started = self._now()
        serial = request.serial or f"X{run[-8:].upper()}"
        firmware = self.identity.firmware if self.identity else ""
        versions = running.versions(config, __version__, firmware)
        begun = StartedRun(
            run=run,
            site=config.stand.site,
            stand=config.stand.name,
            mode="driven" if config.stand.driven else "followed",
            sim=device.simulated,
            source=device.address.text,
            part=part.number,
            part_revision=part.revision,
            part_digest=part.digest,
            part_body=entry.body,
            kind=part.kind.value,
            serial=serial,
            serial_given=request.serial is not None,
            started=started,
            config_digest=config.digest,
            config=config.body,
            order=request.order,
            operator=request.operator,
            versions=versions.model_dump(mode="json"),
        )
        attempt = await self.store.ask(Store.start_run, begun)
        return About(
            run=run,
            site=config.stand.site,
            stand=config.stand.name,
            driven=config.stand.driven,
            sim=device.simulated,
            part=part.number,
            part_revision=part.revision,
            kind=part.kind.value,
            serial=serial,
            serial_given=request.serial is not None,
            order=request.order,
            operator=request.operator,
            attempt=attempt.number,
            earlier_runs=attempt.earlier,
            started=started,
            absolute=config.stand.channels.pressure.absolute_reference,
            versions=versions,
        )

    def _begin(self, about: About, entry: Entry, run: Run) -> None:
        device, config = self._opened(), self.config
        active = ActiveRun(about, run, device.counts.copy(), self._clock(), self._now())
        self._record(active, device, running.recording_header(about, entry, config, run))
        self._active, self._last_run, self._removing = active, about.run, False
        self._lease = self._leased(device)
        self._say(Begun(about, run.stages))
        self._warn_of_calibrations(about.started)
        self._effects([run.now])
        self._end_unrecorded(active)
        if self.link.link is not Link.UP:  # it went while the run was being stored
            self._effects(active.feed(self.link))
        elif self._restarted or run.measuring.identity != self.identity:  # so did the device
            self._keep_note("abort", {"why": "device reset"})
            self._effects(run.halt("device reset"))

    def _leased(self, device: Device) -> Lease | None:
        drive = self.config.stand.drive
        if drive is None or device.address.scheme == "replay" or self.identity is None:
            return None
        return Lease(
            device,
            drive,
            clock=self._block_time if device.virtual else self._clock,
            failed=self._not_driven,
        )

    def _block_time(self) -> float:
        """Seconds of the device at its newest block."""
        block = self._newest
        return 0.0 if block is None or self.identity is None else block.tick / self.identity.tick_hz

    def _not_driven(self, why: str) -> None:
        """The device did not do as it was told; no wire byte tells that, so it is noted for a replay."""
        if self._active is not None:
            self._say(
                Alarm("not_driven", "stop", f"stand {self.key}: the device does not do as it is told: {why}", LOOK)
            )
            self._keep_note("abort", {"why": NOT_DRIVEN})
            self._effects(self._active.run.halt(NOT_DRIVEN))

    def _record(self, active: ActiveRun, device: Device, header: dict[str, object]) -> None:
        line = device.recording_header()
        if line is None:
            return
        path = self.config.data / "recordings" / f"{active.about.run}.rec"
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            active.recording = RecordingWriter(path, line | header)
        except (OSError, RecordingError) as error:
            self._recording_failed(active, error)
            return
        device.tap = self._tap

    def _tap(self, wire: bytes) -> None:
        self._keep(lambda recording: recording.wire(wire))

    def _keep_note(self, kind: str, body: dict[str, object]) -> None:
        """Keeps in the recording what no wire byte tells."""
        self._keep(lambda recording: recording.note(kind, body))

    def _keep(self, write: Callable[[RecordingWriter], None]) -> None:
        """Adds to the recording of the run under way; one that fails is left behind, and the run goes on."""
        active = self._active
        if active is None or active.recording is None:
            return
        try:
            write(active.recording)
        except RecordingError as error:
            active.recording = None
            self._recording_failed(active, error)
            self._end_unrecorded(active)

    def _recording_failed(self, active: ActiveRun, error: Exception) -> None:
        active.unrecorded = True
        then = "the run is void, since it has no recording" if self.config.must_record else "no recording of the run"
        self._say(recording_failed(self.config, f"stand {self.key}: {then}: {error}"))

    def _end_unrecorded(self, active: ActiveRun) -> None:
        """Ends a run that nobody could follow later, where the stand's file asks for evidence."""
        if active.unrecorded and self.config.must_record and self._active is active and active.run.outcome is None:
            self._effects(active.run.halt(UNRECORDED))

    def _warn_of_calibrations(self, now: datetime) -> None:
        late = {name: of for name, of in self.config.calibrations.items() if of.due < now.date()}
        if late:
            told = (
                f"the {name} channel's calibration ({of.certificate}) was due {of.due}" for name, of in late.items()
            )
            text = f"stand {self.key}: {'; '.join(told)}"
            self._say(Alarm("calibration_due", "warn", text, "have it calibrated and enter the new certificate"))

    def confirm(self, run: str, what: str) -> None:
        """The operator has done what was asked.

        Raises:
            RefusedError: another run is under way, or nobody asked.
        """
        if self._removing and what == "removed" and run == self._last_run:
            self._removing = False
            if self._idle is not None:
                self._idle.opened()  # the word `remove` asks for an open valve first
            self._say_stage()
            return
        active = self._at_work(run)
        try:
            effects = active.run.confirm(what)
        except ConfirmError as error:
            raise RefusedError(str(error), ("not_asked",)) from error
        self._keep_note("confirm", {"what": what})
        self._effects(effects)

    def abort(self, run: str) -> None:
        """Ends a run as void.

        Raises:
            RefusedError: no such run is under way.
        """
        active = self._at_work(run)
        self._keep_note("abort", {})
        self._effects(active.run.halt("aborted"))

    def hold(self, held: bool) -> None:
        """Lets no run begin while somebody has yet to acknowledge the newest verdict."""
        self._held = held
        self._say_stage()

    async def look_for_room(self) -> None:
        """Lets no run begin where the disk might not take it; each start looks, and whoever wants to be told before."""
        if self.identity is None:
            return
        need = needed((entry.part for entry in self.catalogue), self.config.stand, self.identity)
        before, self._no_room = self._no_room, await asyncio.to_thread(lacking, self.config, need)
        self._say_stage()
        if self._no_room is not None and before is None:
            self._say(Alarm("disk_full", "stop", f"stand {self.key}: {self._no_room}", BLOCKED["disk_full"]))

    async def zero(self, *, valve_open: bool = False) -> Zero:
        """Takes the zero of a stand at rest, which live values between runs are shown against. A run takes its own.

        `valve_open` is a person's word, for a stand whose device does not know where the valve is.

        Raises:
            RefusedError: a run is under way, the device does not answer, or the stand is not at rest with its line
                open.
            RecordError: it could not be kept.
        """
        if self._idle is None or self.link.link is not Link.UP or self._active is not None or self._starting.locked():
            words = [w for w in ("link_down", "channel_missing", "run_under_way") if w in self.blocked_by]
            raise RefusedError(f"stand {self.key}: no zero now: {', '.join(words)}", tuple(words))
        if valve_open:
            self._idle.opened()
        try:
            zero = self._idle.take_zero()
        except RefusedError as error:
            raise RefusedError(f"stand {self.key}: no zero: {error}", error.reasons) from error
        self._say(Zeroed(zero))
        body = {"pressure": zero.pressure, "current": zero.current}
        await self.store.ask(Store.event, self.key, None, self._now(), "zero", body)
        return zero

    def stop(self, why: str = "daemon stopped") -> None:
        """Ends what is under way before the daemon goes."""
        if self._active is not None:
            self._keep_note("abort", {"why": why})
            self._effects(self._active.run.halt(why))

    def _at_work(self, run: str) -> ActiveRun:
        if self._active is None or self._active.about.run != run:
            now = f"run {self._active.about.run}" if self._active else "no run"
            raise RefusedError(f"stand {self.key}: run {run} is not under way; found {now}", ("no_such_run",))
        return self._active

    def _opened(self) -> Device:
        if self.device is None:
            raise RefusedError(f"stand {self.key}: its device is not open", ("link_down",))
        return self.device

    # What comes of it.

    def _effects(self, effects: list[Effect] | list[StageNow]) -> None:
        active = self._active
        for effect in effects:
            if isinstance(effect, Ended):
                self._end(active)
            elif isinstance(effect, StageNow):
                self._note(Noted(effect.since, f"stage {effect.stage}", effect.do.value))
                self._say_stage()
            elif isinstance(effect, Outputs):
                if self._lease is not None:
                    self._lease.want(effect)
            elif isinstance(effect, CaptureWanted):
                self._capturing.begin(self._opened(), effect)
            else:
                self._say(effect)
                if isinstance(effect, (Alarm, Noted)):
                    self._note(effect)
        if active is not None and self._active is active:
            self._say_live(active)

    def _no_capture(self, why: str) -> None:
        if self._active is not None:
            told = Noted(self._active.run.t, "capture failed", why)
            self._say(told)
            self._note(told)

    def _say_live(self, active: ActiveRun) -> None:
        step = active.run.last
        if step is not None and step.number != active.live_said:
            active.live_said = step.number
            self._say(Live(step, active.about, active.run.stage))

    def _end(self, active: ActiveRun | None) -> None:
        assert active is not None, "only a run under way can end"
        device = self._opened()
        device.tap = None
        self._capturing.cancel()
        if self._lease is not None:
            self._lease.end()
        self._active, self._removing = None, True
        if self.identity is not None:
            self._idle = Idle(self.config.stand.channels, self.identity, opened=active.run.ended_open)
            if self._status is not None:
                self._idle.status(self._status)
        self._finishing = asyncio.create_task(self._finish(active, device), name=f"finish {active.about.run}")
        self._finishing.add_done_callback(self._look_after)
        self._say_stage()

    def _look_after(self, finishing: asyncio.Task[None]) -> None:
        """A verdict that gets lost by a mistake of ours ends the loop loudly."""
        if not finishing.cancelled() and (error := finishing.exception()) is not None:
            self._broken = error
            self._woken.set()

    async def _finish(self, active: ActiveRun, device: Device) -> None:
        try:
            data = await finish(
                active,
                device,
                config=self.config,
                store=self.store,
                say=lambda alarm: self._say_of(active, alarm),
                now=self._now,
                clock=self._clock,
                giving_up=self._giving_up,
            )
        finally:
            self._finishing = None
        self._say(Finished(data))
        self._say_stage()

    def _say_of(self, ended: ActiveRun, alarm: Alarm) -> None:
        """What goes wrong at a run's end is kept with it, unless the store itself is what fails."""
        self._say(alarm)
        if alarm.code != STORE_FAILED:
            self._note(alarm, ended)

    def _note(self, effect: Alarm | Noted, of: ActiveRun | None = None) -> None:
        """Keeps an event with its run, the one under way where none is named; the store's thread keeps the order."""
        active = of or self._active
        if active is None:
            return
        if isinstance(effect, Noted):
            kind, body = "note", {"t": effect.t, "what": effect.what, "detail": effect.detail}
        else:
            kind, body = (
                "alarm",
                {"code": effect.code, "severity": effect.severity, "text": effect.text, "do": effect.do},
            )
        run = active.about.run
        self._spawn(self.store.ask(Store.event, self.key, run, self._now(), kind, body))

    def _spawn(self, job: Coroutine[Any, Any, None]) -> None:
        async def guarded() -> None:
            try:
                await job
            except RecordError as error:
                text = f"an event of the run was not kept: {error}"
                self._say(
                    Alarm(STORE_FAILED, "warn", text, "do as it says; the run goes on, its verdict is kept apart")
                )

        task = asyncio.create_task(guarded(), name="note")
        self._notes.add(task)
        task.add_done_callback(self._notes.discard)

    def _say_stage(self) -> None:
        active = self._active
        stage = Stage(
            active.about if active else None,
            active.run.now if active else None,
            self.blocked_by,
            self._removing and active is None,
            self.config.stand.driven,
        )
        if stage != self._said:
            self._said = stage
            self._say(stage)

    @property
    def stage(self) -> Stage:
        """The newest stage said."""
        return self._said or Stage(None, None, self.blocked_by, driven=self.config.stand.driven)

    def _say(self, said: Said) -> None:
        for listener in self.listeners:
            listener(said)
