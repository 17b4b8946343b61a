"""What a study cannot do, in words for whoever asked it."""


class StudyError(Exception):
    """The runs at hand do not answer the question. The text says what, expected, found and what to do."""
