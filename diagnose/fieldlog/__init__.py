"""What was seen where and when, and how is it kept so that nothing is lost?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.diagnosis import Diagnosis
    from diagnose.fieldlog.store import Log, Saved
    from diagnose.measure.record import Measurement
    from diagnose.signs import Sign


def save_diagnosis(log: Log, found: Diagnosis, **fields: Any) -> Saved:
    """Saves a diagnosis as an observation, with its photo where it has one.

    The lines that were measured along, and the taps, are kept in the verdict, so that the photo can be shown with them.

    Parameters
    ----------
    log
        That is written to [no unit].
    found
        What is kept [no unit].
    **fields
        Columns of Observation beside those that the diagnosis fills (site, plant, by, note), each in its unit.
    """
    from diagnose.fieldlog.likeness import likeness_of

    picture = found.picture
    return log.save_observation(
        photo=None if picture is None else picture.data,
        photo_name="" if picture is None else picture.name,
        seen_as=None if picture is None else likeness_of(picture),  # the one decoding serves both
        **{**fields_of(found), **fields},
    )


def fields_of(found: Diagnosis) -> dict[str, Any]:
    """The columns of an observation that a diagnosis fills: signs, verdict, barrier, and time and place of its photo.

    Parameters
    ----------
    found
        What is kept [no unit].
    """
    from diagnose.signs import signs_as_json

    picture, measurement = found.picture, found.measurement
    where: dict[str, Any] = {}
    if picture is not None:
        taken = picture.taken
        where = {
            "taken_at": None if taken.time is None else taken.time.isoformat(),
            "taken_local": bool(taken.time is not None and taken.time_is_local),
            "lat": taken.lat, "lon": taken.lon, "error_m": taken.error_m,
        }
    return {
        "signs": signs_as_json(found.signs),
        "verdict": {**found.verdict.as_json(), "lines": measurement.lines(),
                    "px_per_mm": measurement.px_per_mm(found.plane)},
        "barrier": found.barrier.as_json(), "leading": found.verdict.leading, "catalogue": found.verdict.version, **where}


def kept_measurement(found: Mapping[str, Any]) -> Measurement:
    """What was measured when an observation (Log.observation) was saved: its figures and the lines that belong to them.

    Answered signs, and the kind of wound that follows from what was measured, are left out; of an observation saved
    without lines there are figures only.

    Parameters
    ----------
    found
        An observation as `Log.observation` yields it [no unit].
    """
    from diagnose.measure.record import Measurement, shapes_of
    from diagnose.signs import Answer, parse_signs

    measured: dict[str, Sign] = {name: sign for name, sign in parse_signs(found["signs"]).items()
                                 if name != "wound" and not isinstance(sign, Answer)}
    return Measurement(measured, {}, shapes_of(found["verdict"].get("lines", {})))
