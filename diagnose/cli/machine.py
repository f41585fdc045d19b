"""How is a finding printed for machines?

One JSON object with the number of its schema first. The number rises when a name in it goes or changes its meaning, not when
one is added. `photo` and `ask` print what they always did, without a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

# verb, or verb and work -> number of what it prints
SCHEMAS = {"protect": 1, "survey": 1, "survey targets": 1, "survey design": 1,
           "upkeep list": 1, "upkeep forecast": 1, "upkeep proof": 1, "inbox list": 1,
           "log list": 1, "log show": 1, "log together": 2}


def say(verb: str, found: Mapping[str, Any]) -> None:
    """Prints a finding.

    Parameters
    ----------
    verb
        Of SCHEMAS [no unit].
    found
        What is printed behind the number [no unit].
    """
    print(json.dumps({"schema": SCHEMAS[verb], **found}, indent=1))


def say_parts(verb: str, name: str, parts: Iterable[str]) -> None:
    """Prints a long list piece by piece, so that memory does not grow with it.

    Parameters
    ----------
    verb
        Of SCHEMAS [no unit].
    name
        Of the list in the object [no unit].
    parts
        JSON of some items each, separated by commas; may be empty [no unit].
    """
    print(f'{{"schema": {SCHEMAS[verb]}, "{name}": [', end="")
    for number, part in enumerate(filter(None, parts)):
        print(("," if number else "") + "\n" + part, end="")
    print("\n]}")
