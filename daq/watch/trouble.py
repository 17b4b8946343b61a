"""What has ended a stand's daemon, in words: for the log, and for the people at the stand."""

from daq.catalogue.errors import CatalogueError
from daq.procedure.effects import Alarm
from daq.record.errors import RecordError
from daq.stand.errors import StandError
from drivers.device import DriverError

EXPECTED = (CatalogueError, StandError, RecordError, DriverError)
"""What tells by itself what is wrong; anything else is a mistake of ours, and told with where it was made."""


def words(error: BaseException) -> str:
    """What went wrong, for people; a group says nothing of its own."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error) if isinstance(error, EXPECTED) else f"a mistake of this program: {type(error).__name__}: {error}"


def restarted(stand: str, failures: int, trouble: str) -> Alarm:
    """That a stand is at work again after so many failures; `trouble` is the last one's words."""
    often = "once" if failures == 1 else f"{failures} times"
    text = f"stand {stand}: its daemon failed and was begun again ({often}): {trouble}"
    return Alarm("restarted", "warn", text, "do as it says, or see the log, where all of it stands")
