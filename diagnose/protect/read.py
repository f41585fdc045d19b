"""How do a boundary, a price list or a programme's demands get from a file into a plan?"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from os import PathLike
from pathlib import Path
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import one_of
from diagnose.protect.ground import Ground, ground_from_geojson
from diagnose.protect.requirement import NEED_OF, NOTHING_BUILT, needs
from diagnose.texts import from_json, read_text, read_values

NOT_LISTED = "not_listed"
# an animal that no guard is built against is planned against when what was seen makes it as likely as this; the commonest
# stand at 0.5 before anything is seen; our choice
LEAST_SHARE = 0.6
COMMON_SHARE = 0.45  # from which an animal that is not planned against is named as common there; our choice


def read_boundary(path: str | PathLike[str], slope_percent: float = 0.0) -> Ground:
    """The land inside the polygon of a GeoJSON file.

    Parameters
    ----------
    path
        The file, longitude before latitude [degree].
    slope_percent
        Steepest slope across which the line runs, 0 to 150 [%].

    Raises
    ------
    CannotUse
        For a file that holds no polygon, or a boundary that is none.
    """
    told = from_json(read_text(path), Path(path).name)
    if not isinstance(told, dict):
        raise CannotUse(f"{Path(path).name} holds no GeoJSON object; export the boundary as a GeoJSON polygon")
    return ground_from_geojson(told, slope_percent)


def read_settings(path: str | PathLike[str]) -> dict[str, Any]:
    """The names and values of a file: prices, stock, or a programme's demands.

    Parameters
    ----------
    path
        YAML or JSON, a mapping of names to values [no unit].

    Raises
    ------
    CannotUse
        For a file that holds something else.
    """
    told = read_values(path)
    if not isinstance(told, dict) or not all(isinstance(key, str) for key in told):
        raise CannotUse(f"{Path(path).name} must hold 'name: value' lines")
    return told


def read_verdict(path: str | PathLike[str]) -> dict[str, float]:
    """Culprit -> probability that it is there, from the JSON that the command printed of a photo, of answers or of wounds.

    That is `plan_against`, where the file has it; else those of `presence`, a probability for each animal by itself, or, of
    several wounds taken together, how likely each made at least one of them, of which `likely_shares` speaks. The shares of
    a single wound sum to one and say who made it, not who is there: they are refused.

    Parameters
    ----------
    path
        The file [no unit].

    Raises
    ------
    CannotUse
        For a file that holds no such verdict.
    """
    told = from_json(read_text(path), Path(path).name)
    if isinstance(told, list) and len(told) == 1:
        told = told[0]
    if isinstance(told, dict) and "plan_against" in told:
        return _checked(told["plan_against"], Path(path).name, "plan_against")
    told = told.get("verdict", told) if isinstance(told, dict) else None
    if not isinstance(told, dict) or not ("presence" in told or "culprits" in told):
        raise CannotUse(f"{Path(path).name} holds no verdict; give what `diagnose photo FILE --json` or "
                        "`diagnose ask --json` printed of one wound")
    shares = told["presence"] if "presence" in told else told["culprits"] if "at_work" in told else None
    if shares is None:
        raise CannotUse(f"{Path(path).name} says who made one wound, not who is there; name the animals with --culprit "
                        "NAME=PROBABILITY, or judge several wounds together")
    return likely_shares(_checked(shares, Path(path).name, "presence"))


def read_common(path: str | PathLike[str]) -> tuple[str, ...]:
    """Animals common there that what was seen hardly tells of, from the file of `read_verdict`; none where it does not say.

    Parameters
    ----------
    path
        The file [no unit].
    """
    told = from_json(read_text(path), Path(path).name)
    told = told[0] if isinstance(told, list) and len(told) == 1 else told
    names = told.get("common_beside") if isinstance(told, dict) else None
    return tuple(name for name in names if name in NEED_OF) if isinstance(names, list) else ()


def _checked(shares: Any, file: str, name: str) -> dict[str, float]:
    """Shares of animals that a file holds under a name; raises CannotUse for anything else, or for none."""
    if not isinstance(shares, dict) or not all(_is_share(share) for share in shares.values()):
        raise CannotUse(f"{file} holds no probabilities from 0 to 1 under `{name}`")
    return _known(shares)


def _is_share(share: Any) -> bool:
    return isinstance(share, int | float) and not isinstance(share, bool) and 0 <= share <= 1


def likely_shares(shares: Mapping[str, float], guarded: Mapping[str, float] | None = None) -> dict[str, float]:
    """The animals that a plan reckons with, each with its probability: those guarded against, and those of LEAST_SHARE.

    Who is guarded against at the single plant is planned against too, however common or rare it is. What a wound says of
    all the others is little more than how common they are; whoever expects them names them.

    Parameters
    ----------
    shares
        Culprit, or its kind -> probability that it is there, 0 to 1 [no unit].
    guarded
        Culprit that the guard at a single plant stops -> probability that it, or one that needs the same guard, made the
        wound, 0 to 1; it is there at least so surely. None where not known: then the likeliest is planned against where
        none reaches LEAST_SHARE [no unit].

    Raises
    ------
    CannotUse
        For what has no need in `need_of.yaml` and is not "not listed", and where nothing is likely.
    """
    known = _known(shares)
    least = LEAST_SHARE if guarded is not None else min(LEAST_SHARE, max(known.values()))
    stopped = {key: share for key, share in (guarded or {}).items() if key in known}
    return {key: max(share, stopped.get(key, 0.0)) for key, share in known.items() if share >= least or key in stopped}


def common_beside(shares: Mapping[str, float], planned: Collection[str]) -> tuple[str, ...]:
    """Animals about as likely there as not that what was seen hardly tells of: named in a plan, not planned against.

    Those that no guard stops are left out.

    Parameters
    ----------
    shares
        Culprit -> probability that it is there, 0 to 1 [no unit].
    planned
        Those that are planned against; one that needs the same guard is not named either [no unit].

    Raises
    ------
    CannotUse
        For a name that is no culprit.
    """
    met = {NEED_OF[one_of(key, NEED_OF, "The culprit")] for key in planned}
    return tuple(key for key, share in _known(shares).items() if share >= COMMON_SHARE and NEED_OF[key] not in met
                 and needs()[NEED_OF[key]]["kind"] != NOTHING_BUILT)


def _known(shares: Mapping[str, float]) -> dict[str, float]:
    """The shares above 0 of culprits that have a need; raises CannotUse for another name, and where none is above 0."""
    unknown = [key for key in shares if key not in NEED_OF and key != NOT_LISTED]
    if unknown:
        raise CannotUse(f"'{unknown[0]}' is no culprit that barriers are planned against; there is {', '.join(NEED_OF)}")
    known = {key: float(share) for key, share in shares.items() if key in NEED_OF and share > 0}
    if not known:
        raise CannotUse("nothing that a barrier could be planned against is likely here")
    return known
