"""What is wrong in a file, in plain words: the first fault that its schema finds, with its place."""

from __future__ import annotations

import math
from typing import Any, Final

from pydantic import ValidationError

_WORDS: Final = {
    "missing": "is missing",
    "extra_forbidden": "does not belong here",
    "less_than_equal": "must be {le:g} at most",
    "greater_than_equal": "must be {ge:g} at least",
    "less_than": "must be less than {lt:g}",
    "greater_than": "must be more than {gt:g}",
    "too_short": "must have {min_length} or more entries, and has {actual_length}",
    "too_long": "must have no more than {max_length} entries, and has {actual_length}",
    "string_too_short": "must have {min_length} or more characters",
    "string_too_long": "must have no more than {max_length} characters",
    "string_type": "must be text",
    "string_unicode": "must be text",
    "float_type": "must be a number",
    "finite_number": "must be a finite number",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "list_type": "must be a list",
    "dict_type": "must be an object, as {{...}}",
    "model_type": "must be an object, as {{...}}",
    "none_required": "must be null",
    "literal_error": "must be {expected}",
}
"""By pydantic's name of an error (https://docs.pydantic.dev/latest/errors/validation_errors/)."""


def first_fault(error: ValidationError, whole: str) -> str:
    """The first thing wrong in one line: its place, or ``whole`` for all of it, and what; how many more."""
    first = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or whole
    more = error.error_count() - 1
    return f"{where}: {_in_words(first)}" + (f" (and {more} more)" if more else "")


def _in_words(fault: Any) -> str:
    if isinstance(fault["input"], float) and math.isnan(fault["input"]):
        return "NaN is no number"
    words = _WORDS.get(fault["type"])
    return (
        fault["msg"].removeprefix("Value error, ") if words is None else words.format(**fault.get("ctx", {}))
    )
