"""What goes wrong with the record, in words for whoever has to mend it."""


class RecordError(Exception):
    """Root of what this package raises. The text says what, where, expected, found and what to do."""


class DatabaseUrlError(RecordError):
    """A database URL that means nothing here; trying again does not help."""


class DatabaseMissingError(RecordError):
    """There is no database where one should be read."""


class DatabaseBusyError(RecordError):
    """Somebody else kept the database locked for longer than the busy time-out; trying again may help."""


class DatabaseUnreachableError(RecordError):
    """The server does not answer, or the connection to it broke; trying again helps once it is there."""


class DatabaseRefusesError(RecordError):
    """The server does not let us in, or has no such database; trying again does not help."""


class DiskFullError(RecordError):
    """Nothing more can be written until room is made; nothing of the transaction was kept."""


class DatabaseDamagedError(RecordError):
    """The file is no database or not whole; trying again does not help."""


class DatabaseReplacedError(RecordError):
    """The file that was opened is no longer there under its name; what is written now would be lost with it."""


class DatabaseUnwritableError(RecordError):
    """The file or its folder may not be opened or written."""


class SchemaError(RecordError):
    """The tables are not those that this version of the program knows."""


class OldSchemaError(SchemaError):
    """The tables are an older version's, and whoever only reads leaves them so."""


class MigrationError(RecordError):
    """The tables could not be brought up to date."""


class StandTakenError(RecordError):
    """Another machine works this stand, with its records in the same database."""


class UnknownRunError(RecordError):
    """No run has this id, or a prefix fits several."""


class AlreadyFinishedError(RecordError):
    """The run has its verdict; a verdict is never written twice."""


class TraceError(RecordError):
    """A trace file could not be written or read. The run's row does not depend on it."""
