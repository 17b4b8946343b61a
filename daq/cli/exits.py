"""What the process's exit code says, and which code an error ends with.

Codes of a verdict begin at 10, because an interpreter that dies by itself ends with 1 or 2. 64 and 70 are those of
BSD's sysexits.h, 130 is what shells give for an interrupt (both from memory).
"""

import sys
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes. USAGE: what was given (arguments, configuration, part) is wrong. INTERNAL: it was right, but could
    not be done, for a port, broker or database that fails or for a fault of the program."""

    PASS = 0
    FAIL = 10
    UNDECIDED = 11
    VOID = 12
    USAGE = 64
    INTERNAL = 70
    INTERRUPTED = 130


BY_VERDICT = {"pass": Exit.PASS, "fail": Exit.FAIL, "undecided": Exit.UNDECIDED, "void": Exit.VOID}

_EXPECTED = (
    ("daq.catalogue.errors", "CatalogueError", Exit.USAGE),
    ("drivers.device", "AddressError", Exit.USAGE),
    ("drivers.recording", "RecordingError", Exit.USAGE),
    ("drivers.device", "DriverError", Exit.INTERNAL),
    ("daq.record.errors", "UnknownRunError", Exit.USAGE),
    ("daq.record.errors", "DatabaseUrlError", Exit.USAGE),
    ("daq.record.errors", "DatabaseMissingError", Exit.USAGE),
    ("daq.record.errors", "RecordError", Exit.INTERNAL),
    ("daq.publish.errors", "PublishError", Exit.INTERNAL),
    ("daq.stand.errors", "RequestError", Exit.USAGE),
    ("daq.study.errors", "StudyError", Exit.USAGE),
    ("daq.watch.clash", "ClashError", Exit.USAGE),
    ("daq.stand.errors", "StandError", Exit.INTERNAL),
    ("daq.cli.broker", "BrokerError", Exit.INTERNAL),
    ("simulator.errors", "SimulatorError", Exit.USAGE),
)
"""Errors whose text is meant for people, by the module that defines them; the first that fits counts."""


def exit_for(error: BaseException) -> Exit | None:
    """The code that an expected error ends with; None for one that is a fault of the program.

    A module that nobody imported cannot have raised, so none is imported here.
    """
    for module, name, code in _EXPECTED:
        family = getattr(sys.modules.get(module), name, None)
        if family is not None and isinstance(error, family):
            return code
    return None
