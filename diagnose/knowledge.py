"""What stands in the package's own data files?"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import yaml


@cache
def knowledge(package: str, name: str) -> Any:
    """What a YAML file of a package (`diagnose.protect`) holds; read once, so it is not to be changed."""
    return yaml.safe_load((files(package) / name).read_text(encoding="utf-8"))
