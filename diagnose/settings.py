"""What has this person settled once, for command and app alike: the log, the place, units, paper and initials?

An option comes first, then an environment name, then the settings file, then what is usual:

| setting | environment name | what it may be | usual |
| --- | --- | --- | --- |
| `log` | `DIAGNOSE_LOG` | a folder, or the address of a database | the folder `browse-log` in the home folder |
| `place` | `DIAGNOSE_PLACE` | where the plantings are, as `--region` takes it | from the photo's position |
| `units` | `DIAGNOSE_UNITS` | `mm` or `inches` | `mm` |
| `paper` | `DIAGNOSE_PAPER` | `A4` or `Letter` | `A4` |
| `initials` | `DIAGNOSE_INITIALS` | up to 8 letters, for the log's history | none |

The file is `settings.yaml` in the folder that the platform has for settings, or the file that `DIAGNOSE_SETTINGS` names.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from diagnose.cannot_use import CannotUse

DEFAULT_LOG = Path.home() / "browse-log"
_CHOICES = {"units": ("mm", "inches"), "paper": ("A4", "Letter")}
_MOST_INITIALS = 8


@dataclass(frozen=True)
class Settings:
    """What stands settled.

    Parameters
    ----------
    log
        Folder of the log, or address of a database [no unit].
    place
        Where the plantings are; None where that is not settled [no unit].
    units
        "mm" or "inches", for lengths that are shown [no unit].
    paper
        "A4" or "Letter" [no unit].
    initials
        For the log's history; may be empty [no unit].

    Raises
    ------
    CannotUse
        For a choice that there is not.
    """

    log: str = str(DEFAULT_LOG)
    place: str | None = None
    units: str = "mm"
    paper: str = "A4"
    initials: str = ""

    def __post_init__(self) -> None:
        for name, choices in _CHOICES.items():
            if getattr(self, name) not in choices:
                raise CannotUse(f"the setting {name} is '{getattr(self, name)}'; choose {' or '.join(choices)}")
        if not self.log:
            raise CannotUse("the setting log is empty; give a folder or the address of a database")
        if len(self.initials) > _MOST_INITIALS:
            raise CannotUse(f"the setting initials has more than {_MOST_INITIALS} letters")

    @property
    def inches(self) -> bool:
        """Whether lengths are shown in inches and feet."""
        return self.units == "inches"


NAMES = tuple(each.name for each in fields(Settings))


def settings_file() -> Path:
    """Where the settings lie, whether or not there are any."""
    if named := os.environ.get("DIAGNOSE_SETTINGS"):
        return Path(named)
    from platformdirs import user_config_path

    return user_config_path("browse-diagnose", appauthor=False) / "settings.yaml"


def settings() -> Settings:
    """What stands settled now. Raises CannotUse for a file or an environment name that says what cannot be."""
    return Settings(**{name: value for name, (value, _) in settings_made().items()})


def settings_made() -> dict[str, tuple[str, str]]:
    """Each setting that somebody made: its value, and where it stands. Raises CannotUse."""
    found = {name: (value, str(settings_file())) for name, value in _in_file().items()}
    for name in NAMES:
        if value := os.environ.get(environment_name(name)):
            found[name] = (value, environment_name(name))
    return found


def environment_name(name: str) -> str:
    """The environment's name of a setting.

    Parameters
    ----------
    name
        Of NAMES [no unit].
    """
    return f"DIAGNOSE_{name.upper()}"


def change_settings(changes: Mapping[str, str]) -> Path:
    """Writes settings into the file; those not named stay as they are. Returns the file.

    Parameters
    ----------
    changes
        Setting -> value, a choice in whatever capitals; an empty value takes a setting back [no unit].

    Raises
    ------
    CannotUse
        For a setting or a choice that there is not, and where the file cannot be written; nothing is written then.
    """
    import yaml

    from diagnose.whole_file import write_whole

    for name in changes:
        _known(name)
    told = {name: next((one for one in _CHOICES.get(name, ()) if one.lower() == value.lower()), value)
            for name, value in changes.items()}
    kept = {name: value for name, value in {**_in_file(), **told}.items() if value}
    Settings(**kept)
    file = settings_file()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise CannotUse(f"{file.parent} cannot be made ({problem.strerror}); name another with DIAGNOSE_SETTINGS") from None
    write_whole(file, yaml.safe_dump(kept, allow_unicode=True, sort_keys=False))
    return file


def _in_file() -> dict[str, str]:
    file = settings_file()
    if not file.exists():
        return {}
    from diagnose.texts import from_yaml, read_text

    found = from_yaml(read_text(file), str(file))
    if found is None:
        return {}
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise CannotUse(f"{file} must hold lines like `units: mm`; mend it, or delete it and settle anew")
    for name in found:
        _known(str(name))
    return dict(found)


def _known(name: str) -> None:
    if name not in NAMES:
        raise CannotUse(f"there is no setting '{name}'; the settings are {', '.join(NAMES)}")
