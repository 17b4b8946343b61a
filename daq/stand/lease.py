"""The lease on a driven stand's power: a task that waits for nothing else tells the device its outputs.

Power stays on only while this task renews it, and it renews only while the procedure handled a fresh block a moment
ago. So a procedure that hangs, a daemon that is killed and a line that breaks all end in the device switching off by
itself.
A block is fresh by the time at which it was measured: a host that works through what piled up while it stood still
decides about a unit as it was then, and keeps no power on by it.
"""

import asyncio
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive
from drivers.device import Device, DriverError, Reply
from drivers.link.frames import ReplyCode

FRESH_S = 0.3
"""A lease is renewed only while the procedure handled a block no longer ago than this, and no later behind the quickest
block than this."""
CLOCKS = 0.01
"""The clocks of device and host may differ by this share: twice what a ceramic resonator does. Common practice, no
source."""
RENEWALS = 5
"""So often within its length a lease is renewed; each may get lost."""
UNANSWERED_S = 0.9
"""A line that answers nothing for so long is broken. A request and its repeats take a second."""
OFF_WITHIN_S = 1.0
"""What ends waits so long for the answer to power-off; after that the lease has long run out."""
FULLY_OPEN = 10_000


class Lease:
    """The outputs of one run on one device. `failed` hears why the device did not do as it was told.

    `clock` gives seconds that never run backwards, those
    of the wall, or with a virtual device those of its blocks: nothing waits there, and `turn`, called after each block,
    does what the task does elsewhere.
    """

    def __init__(
        self,
        device: Device,
        drive: Drive,
        *,
        clock: Callable[[], float],
        failed: Callable[[str], None],
    ) -> None:
        self._device, self._drive = device, drive
        self._clock, self._failed = clock, failed
        self._renewed = drive.lease / RENEWALS
        self._wanted = Outputs(power=False, valve=1.0)
        self._sent: Outputs | None = None
        self._handled_at = self._sent_at = self._answered_at = self._compared_at = clock()
        self._quickest = math.inf
        self._asking: set[asyncio.Task[None]] = set()
        self._due = asyncio.Event()
        self._due.set()
        self._over = self._tripped = self._powered = False
        self._keeping = None if device.virtual else asyncio.create_task(self._keep(), name="lease")
        self._ending: asyncio.Task[None] | None = None

    @property
    def powered(self) -> bool:
        """Whether the unit is to have power now."""
        return not self._over and self._wanted.power

    @property
    def fresh(self) -> bool:
        """Whether the procedure handled a fresh block a moment ago."""
        return self._clock() - self._handled_at <= FRESH_S

    def want(self, outputs: Outputs) -> None:
        """The outputs from now on; no power any more once the device has tripped."""
        if not self._over:
            self._wanted = replace(outputs, power=outputs.power and not self._tripped)
            self._due.set()

    def handled(self, measured_at: float) -> None:
        """The procedure has handled a block just now, which ended at `measured_at` seconds of the device's clock. A
        renewal that this held up is due before anything else."""
        now = self._clock()
        late = now - measured_at
        self._quickest = min(self._quickest + CLOCKS * (now - self._compared_at), late)
        self._compared_at = now
        if late - self._quickest > FRESH_S:
            return
        self._handled_at = now
        if self._handled_at - self._sent_at >= self._renewed:
            self._due.set()

    def end(self) -> None:
        """Power off, at once and for good; the valve goes where it was wanted last."""
        if self._over:
            return
        self._over, self._wanted = True, replace(self._wanted, power=False)
        if self._keeping is not None:
            self._keeping.cancel()
        self._ending = asyncio.create_task(self._switch_off(), name="power off")

    async def ended(self) -> None:
        """Waits until power-off has been answered, or that is given up."""
        if self._ending is not None:
            await asyncio.wait({self._ending, *self._asking})

    async def turn(self) -> None:
        """Sends what is due to a virtual device."""
        if not self._over and (self._wanted != self._sent or self._clock() - self._sent_at >= self._renewed):
            await self._tell(self._next())

    async def _keep(self) -> None:
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(self._renewed):
                    await self._due.wait()
            self._due.clear()
            if self.fresh or not self._wanted.power:
                self._send()

    def _send(self) -> None:
        """Tells the device without waiting for its answer: one that is late or lost must not hold up the next."""
        wanted = self._next()
        if wanted is not None:
            task = asyncio.create_task(self._tell(wanted), name="drive")
            self._asking.add(task)
            task.add_done_callback(self._asking.discard)

    def _next(self) -> Outputs | None:
        """What is to be sent now: the outputs where they changed, and again while power is on."""
        now, before = self._clock(), self._sent
        if self._wanted == before and not before.power:
            return None
        if not self._asking:
            self._answered_at = now
        self._sent, self._sent_at = self._wanted, now
        return self._wanted

    async def _tell(self, wanted: Outputs | None) -> None:
        if wanted is None:
            return
        try:
            reply = await self._drive_to(wanted)
        except DriverError as error:
            if self._clock() - self._answered_at >= UNANSWERED_S:
                self._fail(str(error))
            return
        self._answered_at = self._clock()
        opened = self._powered and reply.code == ReplyCode.INPUT_OPEN  # the trip comes with the next scan
        self._powered = self._powered or (reply.done and wanted.power)
        if opened or reply.code == ReplyCode.TRIPPED:  # STATUS says why, and is judged; no power is asked for any more
            self._tripped = True
            self.want(self._wanted)
        elif not reply.done:
            self._fail(reply.text)

    async def _drive_to(self, wanted: Outputs) -> Reply:
        return await self._device.drive(
            power=wanted.power,
            valve=round(wanted.valve * FULLY_OPEN),
            supply_mv=None if wanted.supply is None else round(wanted.supply * 1e3),
            lease_ms=round(self._drive.lease * 1e3) if wanted.power else 0,
        )

    def _fail(self, why: str) -> None:
        if not self._over:
            self._failed(why)

    async def _switch_off(self) -> None:
        attempt = None if self._device.virtual else OFF_WITHIN_S
        with suppress(DriverError, TimeoutError):
            async with asyncio.timeout(attempt):
                await self._drive_to(self._wanted)
