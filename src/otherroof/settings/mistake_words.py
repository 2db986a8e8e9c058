"""What is wrong with a value in a settings file, in a household's words instead of the library's own.

Pure: what pydantic found goes in, half a sentence comes out. It must not know which file or key it was.
"""

from __future__ import annotations

from pydantic_core import ErrorDetails

_KINDS = {
    "string_type": "text in quote marks is wanted",
    "int_type": "a whole number is wanted",
    "int_from_float": "a whole number is wanted",
    "int_parsing": "a whole number is wanted",
    "float_type": "a number is wanted",
    "float_parsing": "a number is wanted",
    "finite_number": "a number is wanted",
    "bool_type": "true or false is wanted",
    "tuple_type": "a list in [ ] is wanted",
    "list_type": "a list in [ ] is wanted",
    "dict_type": "a table is wanted",
    "model_type": "a table is wanted",
    "model_attributes_type": "a table is wanted",
    "missing": "is missing",
    "greater_than_equal": "at least {ge:g} is wanted",
    "greater_than": "more than {gt:g} is wanted",
    "less_than_equal": "at most {le:g} is wanted",
    "less_than": "less than {lt:g} is wanted",
    "literal_error": "{expected} is wanted",
    "union_tag_invalid": "'{tag}' is not known; one of {expected_tags} is wanted",
    "too_short": "at least {min_length} is wanted in the list",
}


# What `tomllib` raises at a text that is no TOML. Of the first kind are its own error, bytes that are no UTF-8, and
# numbers of thousands of digits; of the second, brackets within brackets without end.
NOT_TOML = (ValueError, RecursionError)


def mistake_in_plain_words(detail: ErrorDetails) -> str:
    """Half a sentence: what would be right, or, for a check of our own, what is wrong."""
    words = _KINDS.get(detail["type"])
    return words.format(**detail.get("ctx", {})) if words else detail["msg"].removeprefix("Value error, ")
