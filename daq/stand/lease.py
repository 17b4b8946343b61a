"""The lease on a driven stand's power: a task that waits for nothing else tells the device its outputs.

Power stays on only while this task renews it, and it renews only while the procedure handled a block a moment ago. So a
procedure that hangs, a daemon that is killed and a line that breaks all end in the device switching off by itself.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress

from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive
from drivers.device import Device, DriverError

FRESH_S = 0.3
"""A lease is renewed only while the procedure handled a block no longer ago than this."""
RENEWALS = 5
"""So often within its length a lease is renewed; each may get lost."""
OFF_WITHIN_S = 1.0
"""What ends waits so long for the answer to power-off; after that the lease has long run out."""
FULLY_OPEN = 10_000


class Lease:
    """The outputs of one run on one device. `failed` hears why the device did not do as it was told.

    `supply_mv` is the supply's setpoint, None where it is fixed. `clock` gives seconds that never run backwards, those
    of the wall, or with a virtual device those of its blocks: nothing waits there, and `turn`, called after each block,
    does what the task does elsewhere.
    """

    def __init__(
        self,
        device: Device,
        drive: Drive,
        *,
        supply_mv: int | None,
        clock: Callable[[], float],
        failed: Callable[[str], None],
    ) -> None:
        self._device, self._drive, self._supply_mv = device, drive, supply_mv
        self._clock, self._failed = clock, failed
        self._renewed = drive.lease / RENEWALS
        self._wanted = Outputs(power=False, valve=1.0)
        self._sent: Outputs | None = None
        self._handled_at = self._sent_at = clock()
        self._due = asyncio.Event()
        self._due.set()
        self._over = False
        self._keeping = None if device.virtual else asyncio.create_task(self._keep(), name="lease")
        self._ending: asyncio.Task[None] | None = None

    def want(self, outputs: Outputs) -> None:
        """The outputs from now on."""
        if not self._over:
            self._wanted = outputs
            self._due.set()

    def handled(self) -> None:
        """The procedure has handled a block just now."""
        self._handled_at = self._clock()

    def end(self) -> None:
        """Power off, at once and for good; the valve goes where it was wanted last."""
        if self._over:
            return
        self._over, self._wanted = True, Outputs(power=False, valve=self._wanted.valve)
        if self._keeping is not None:
            self._keeping.cancel()
        self._ending = asyncio.create_task(self._switch_off(), name="power off")

    async def ended(self) -> None:
        """Waits until power-off has been answered, or that is given up."""
        if self._ending is not None:
            await asyncio.wait({self._ending})

    async def turn(self) -> None:
        """Sends what is due to a virtual device."""
        if not self._over and (self._wanted != self._sent or self._clock() - self._sent_at >= self._renewed):
            await self._tell()

    async def _keep(self) -> None:
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(self._renewed):
                    await self._due.wait()
            self._due.clear()
            if self._clock() - self._handled_at <= FRESH_S:
                await self._tell()

    async def _tell(self) -> None:
        """Sends the outputs where they changed, and renews the lease while power is on."""
        wanted, self._sent_at = self._wanted, self._clock()
        if wanted == self._sent and not wanted.power:
            return
        try:
            reply = await self._device.drive(
                power=wanted.power,
                valve=round(wanted.valve * FULLY_OPEN),
                supply_mv=self._supply_mv,
                lease_ms=round(self._drive.lease * 1e3) if wanted.power else 0,
            )
        except DriverError as error:
            self._failed(str(error))
            return
        if reply.done:
            self._sent = wanted
        else:
            self._failed(reply.text)

    async def _switch_off(self) -> None:
        wanted, attempt = self._wanted, None if self._device.virtual else OFF_WITHIN_S
        with suppress(DriverError, TimeoutError):
            async with asyncio.timeout(attempt):
                await self._device.drive(
                    power=False, valve=round(wanted.valve * FULLY_OPEN), supply_mv=self._supply_mv, lease_ms=0
                )
