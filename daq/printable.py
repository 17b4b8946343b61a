"""Text from outside, kept from steering a terminal or breaking a line.

Control characters are those of Unicode's categories Cc, Zl and Zp, surrogates that stand alone, and the marks that turn
the direction of writing (UAX #9), behind which one text can look like another.
"""

import re

CONTROLS = r"\u0000-\u001f\u007f-\u009f\u200e\u200f\u2028-\u202e\u2066-\u2069"
"""The inside of a class of characters in a regular expression; surrogates, which no UTF-8 text holds, left out."""

_CONTROL = re.compile(rf"[{CONTROLS}\ud800-\udfff]")


def is_plain(text: str) -> bool:
    """Whether a text has no control characters; line ends and tabs are such too."""
    return _CONTROL.search(text) is None


def escaped(text: str) -> str:
    """The text with each control character as JSON would write it."""
    return _CONTROL.sub(_escape, text)


def escaped_lines(text: str) -> str:
    """As `escaped`, but for line ends and tabs."""
    return "\n".join("\t".join(map(escaped, line.split("\t"))) for line in text.split("\n"))


def _escape(found: re.Match[str]) -> str:
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(found[0], f"\\u{ord(found[0]):04x}")
