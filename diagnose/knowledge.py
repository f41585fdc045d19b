"""What stands in the package's own data files?"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import yaml

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the first reads the same ten times as fast, where libyaml is there


@cache
def knowledge(package: str, name: str) -> Any:
    """What a YAML file of a room holds; read once, so it is not to be changed.

    Parameters
    ----------
    package
        Of the room, e.g. `diagnose.protect` [no unit].
    name
        Of the file [no unit].
    """
    return yaml.load((files(package) / name).read_text(encoding="utf-8"), _LOADER)


def read_yaml(file: Path) -> Any:
    """What a YAML file of ours beside the package holds; what others give is read through `texts.py`.

    Parameters
    ----------
    file
        Its path [no unit].
    """
    return yaml.load(file.read_text(encoding="utf-8"), _LOADER)


def reference_cases(folder: str) -> Path:
    """A folder of the truth from outside: as an installed package holds it, else beside the package.

    Parameters
    ----------
    folder
        Its name: `signs`, `photos` ... [no unit].
    """
    package = Path(__file__).parent
    installed = package / "reference_cases" / folder
    return installed if installed.is_dir() else package.parent / "reference_cases" / folder
