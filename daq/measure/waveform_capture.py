"""The counts of a fast capture as amperes."""

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import Channels
from daq.measure.convert import Column, Zero, channel_maps
from daq.measure.errors import CaptureError, NotFittedError
from drivers.block import Capture, Identity, Role

Floats = NDArray[np.float64]

SHUNTS = (Role.SHUNT_WIDE, Role.SHUNT)
"""Channels whose capture is a current, the better one first. Both lie on the same shunt and amplifier; the wide one has
a filter that suits captures."""


def amperes(capture: Capture, channels: Channels, identity: Identity, zero: Zero) -> Floats:
    """The samples in A, by the shunt at its assumed temperature.

    The zero taken is that of the scanned channel; a wide one's own would shift all samples alike, which leaves
    frequencies and heights as they are.

    Raises:
        NotFittedError: the capture is of another channel, or of one that the device does not have.
        CaptureError: it names no rate.
    """
    if capture.rate_hz <= 0:
        raise CaptureError(
            f"device {identity.device_id}: a capture at {capture.rate_hz} Hz: expected a rate above 0; correct the "
            "answer to a capture in the firmware"
        )
    k = next((k for k, a in enumerate(identity.analog) if a.role == capture.role), None)
    if capture.role not in SHUNTS or k is None:
        shunts = ", ".join(str(int(r)) for r in sorted(SHUNTS))
        raise NotFittedError(
            f"device {identity.device_id}: a capture of role {int(capture.role)}: expected one of a shunt (roles "
            f"{shunts}) among its channels {[int(a.role) for a in identity.analog]}; "
            "capture the current, or correct the table in the firmware"
        )
    raw, line = identity.analog[k], channel_maps(channels)[Column.CURRENT]
    volts = (np.array(capture.counts, dtype=np.float64) - raw.zero_count) * raw.volts_per_count
    samples: Floats = line.offset + line.slope * volts - zero.current
    return samples
