"""What to change in the stand that ships so that its device states quantities."""

TABLE = """table = [
    { at = "40 Hz", k = "4550 /L" },
    { at = "80 Hz", k = "4595 /L" },
    { at = "160 Hz", k = "4605 /L" },
    { at = "240 Hz", k = "4600 /L" },
]"""
STATED = (
    ('kind = "ratiometric"', 'kind = "quantity"'),
    ('output_low = "0.5 V"', ""),
    ('output_high = "4.5 V"', ""),
    ('valid_low = "0.3 V"', ""),
    ('valid_high = "4.7 V"', ""),
    ('resistance = "5 mohm"', 'kind = "quantity"'),
    ("gain = 40", ""),
    ('copper = "20e-6 /K"', ""),
    ("divider = 0.2", 'kind = "quantity"'),
    (TABLE, 'kind = "quantity"\nlow = "30 L/h"\nhigh = "190 L/h"'),
    ('at_0_degC = "0.5 V"', 'kind = "quantity"'),
    ('slope = "10 mV/K"', ""),
    ('empty = "0.5 V"', 'kind = "quantity"'),
    ('full = "4.5 V"', ""),
)
"""What stands there, and what is written instead."""
