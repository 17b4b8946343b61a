"""What goes wrong on the way to the broker. The text says what, where, found and what to do."""


class PublishError(Exception):
    """Root of what this package raises."""


class BrokerError(PublishError):
    """There is no connection, or no longer; trying again may help."""


class BrokerRefusesError(BrokerError):
    """The broker does not let us in; trying again helps only after somebody has changed a setting."""


class RefusedError(PublishError):
    """The broker acknowledged a message by refusing it; it was not passed on."""
