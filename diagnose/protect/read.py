"""How do a boundary, a price list or a programme's demands get from a file into a plan?"""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.protect.ground import Ground, ground_from_geojson
from diagnose.protect.requirement import NEED_OF
from diagnose.texts import from_json, read_text, read_values

NOT_LISTED = "not_listed"
LEAST_SHARE = 0.5  # an animal of a verdict that is likelier away than there is not planned against unasked; our choice


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

    That is `presence`, a probability for each animal by itself; or, of several wounds taken together, how likely each made
    at least one of them. The shares of a single wound sum to one and say who made it, not who is there: they are refused.
    Those likelier away than there are left out (LEAST_SHARE), and so is what is not listed.

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
    told = told.get("verdict", told) if isinstance(told, dict) else None
    if not isinstance(told, dict) or not ("presence" in told or "culprits" in told):
        raise CannotUse(f"{Path(path).name} holds no verdict; give what `diagnose photo FILE --json` or "
                        "`diagnose ask --json` printed of one wound")
    shares = told["presence"] if "presence" in told else told["culprits"] if "at_work" in told else None
    if shares is None:
        raise CannotUse(f"{Path(path).name} says who made one wound, not who is there; name the animals with --culprit "
                        "NAME=PROBABILITY, or judge several wounds together")
    if not isinstance(shares, dict) or not all(_is_share(share) for share in shares.values()):
        raise CannotUse(f"{Path(path).name} holds no probabilities from 0 to 1 under `presence`")
    return likely_shares(shares)


def _is_share(share: Any) -> bool:
    return isinstance(share, int | float) and not isinstance(share, bool) and 0 <= share <= 1


def likely_shares(shares: Mapping[str, float]) -> dict[str, float]:
    """The animals that a plan reckons with, each with its probability: those of at least LEAST_SHARE, else the likeliest.

    What a wound says of all the others is little more than how common they are; whoever expects them names them.

    Parameters
    ----------
    shares
        Culprit, or its kind -> probability that it is there, 0 to 1 [no unit].

    Raises
    ------
    CannotUse
        For what has no need in `need_of.yaml` and is not "not listed", and where nothing is likely.
    """
    unknown = [key for key in shares if key not in NEED_OF and key != NOT_LISTED]
    if unknown:
        raise CannotUse(f"'{unknown[0]}' is no culprit that barriers are planned against; there is {', '.join(NEED_OF)}")
    known = {key: float(share) for key, share in shares.items() if key in NEED_OF and share > 0}
    least = min(LEAST_SHARE, max(known.values(), default=0.0))
    kept = {key: share for key, share in known.items() if share >= least}
    if not kept:
        raise CannotUse("nothing that a barrier could be planned against is likely here")
    return kept
