"""What was seen where and when, and how is it kept so that nothing is lost?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.diagnosis import Diagnosis
    from diagnose.fieldlog.store import Log, Saved


def save_diagnosis(log: Log, found: Diagnosis, **fields: Any) -> Saved:
    """Saves a diagnosis as an observation, with its photo where it has one. fields : site, plant, by, note ..."""
    from diagnose.fieldlog.likeness import likeness_of
    from diagnose.signs import signs_as_json

    picture = found.picture
    where: dict[str, Any] = {}
    if picture is not None:
        taken = picture.taken
        where = {
            "taken_at": None if taken.time is None else taken.time.isoformat(),
            "taken_local": bool(taken.time is not None and taken.time_is_local),
            "lat": taken.lat, "lon": taken.lon, "error_m": taken.error_m,
        }
    return log.save_observation(
        photo=None if picture is None else picture.data,
        photo_name="" if picture is None else picture.name,
        seen_as=None if picture is None else likeness_of(picture),  # the one decoding serves both
        signs=signs_as_json(found.signs), verdict=found.verdict.as_json(), barrier=found.barrier.as_json(),
        leading=found.verdict.leading, catalogue=found.verdict.version, **{**where, **fields},
    )
