"""The words between whoever runs a test and the person at the bench."""

WORDS = frozenset(
    {
        "connect",
        "dry_check",
        "immerse",
        "hold_return",
        "power_on",
        "power_off",
        "open_valve",
        "open_valve_slowly",
        "close_valve",
        "close_valve_slowly",
        "pressurise",
        "wait",
        "remove",
        "none",
    }
)
"""What a person can be asked to do."""

CONFIRMATIONS = frozenset({"connected", "in_fluid", "return_held", "valve_open", "valve_shut", "filled", "removed"})
"""What a person can say has been done."""
