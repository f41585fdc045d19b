"""How do a boundary, a price list or a programme's demands get from a file into a plan?"""

from __future__ import annotations

import json
from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

import yaml

from diagnose.cannot_use import CannotUse
from diagnose.protect.ground import Ground, ground_from_geojson
from diagnose.protect.requirement import NEED_OF

LEAST_SHARE = 0.02  # probability below which a culprit of a verdict is not planned against; our choice
MOST_BYTES = 5_000_000  # no boundary or price list is larger; our choice


def read_boundary(path: str | PathLike[str], slope_percent: float = 0.0) -> Ground:
    """The land inside the polygon of a GeoJSON file. Raises CannotUse."""
    try:
        told = json.loads(_text(path))
    except ValueError:
        raise CannotUse(f"{Path(path).name} is no GeoJSON; export the boundary as a GeoJSON polygon") from None
    if not isinstance(told, dict):
        raise CannotUse(f"{Path(path).name} holds no GeoJSON object; export the boundary as a GeoJSON polygon")
    return ground_from_geojson(told, slope_percent)


def read_settings(path: str | PathLike[str]) -> dict[str, Any]:
    """The names and values of a YAML or JSON file: prices, stock, or a programme's demands. Raises CannotUse."""
    try:
        told = yaml.safe_load(_text(path))
    except yaml.YAMLError:
        raise CannotUse(f"{Path(path).name} is no YAML; write one 'name: value' a line") from None
    if not isinstance(told, dict) or not all(isinstance(key, str) for key in told):
        raise CannotUse(f"{Path(path).name} must hold 'name: value' lines")
    return told


def read_verdict(path: str | PathLike[str]) -> dict[str, float]:
    """Culprit -> probability from the JSON that the command printed of a photo, of answers or of several wounds.

    Culprits under LEAST_SHARE are left out, and so is what is not listed. Raises CannotUse.
    """
    try:
        told = json.loads(_text(path))
    except ValueError:
        told = None
    if isinstance(told, list) and len(told) == 1:
        told = told[0]
    told = told.get("verdict", told) if isinstance(told, dict) else None
    shares = told.get("culprits") if isinstance(told, dict) else None
    if not isinstance(shares, dict) or not all(isinstance(share, int | float) for share in shares.values()):
        raise CannotUse(f"{Path(path).name} holds no verdict; give what `diagnose photo FILE --json` or "
                        "`diagnose ask --json` printed of one wound")
    return likely_shares(shares)


def likely_shares(shares: Mapping[str, float]) -> dict[str, float]:
    """The culprits of a verdict that a plan reckons with. Raises CannotUse where none is listed."""
    kept = {key: float(share) for key, share in shares.items() if key in NEED_OF and share >= LEAST_SHARE}
    if not kept:
        raise CannotUse("this verdict names nothing that a barrier could be planned against")
    return kept


def _text(path: str | PathLike[str]) -> str:
    file = Path(path)
    try:
        if file.stat().st_size > MOST_BYTES:
            raise CannotUse(f"{file.name} is larger than {MOST_BYTES // 1_000_000} MB; is it the right file?")
        return file.read_text(encoding="utf-8-sig")
    except OSError:
        raise CannotUse(f"{file} cannot be read; check the name") from None
    except UnicodeDecodeError:
        raise CannotUse(f"{file.name} is no text file") from None
