"""What the measuring core raises; each text says what, where, expected, found and what to do."""


class MeasureError(Exception):
    """Root of the core's errors."""


class NotFittedError(MeasureError):
    """The stand configuration names a channel that the device does not have."""


class TooSlowError(MeasureError):
    """A device that scans too slowly for a mean over 50 ms."""


class CaptureError(MeasureError):
    """A fast capture that cannot be one."""


class ResidualError(MeasureError):
    """Pressure after power-off that no residual pressure can be read from."""


class LeakError(MeasureError):
    """A record of a blanked-off stand that does not show its own leak."""


class CurveError(MeasureError):
    """Travels of the valve that no pressure–flow curve can be drawn from."""
