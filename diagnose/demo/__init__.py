"""What does the tool look like when it is in use? An invented planting, laid into a log of its own."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.diagnosis import Circumstances, diagnose_answers, diagnose_photo
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.store import METRES_PER_DEGREE, Log, open_log
from diagnose.knowledge import knowledge
from diagnose.signs import parse_signs, signs_as_json
from diagnose.survey.from_log import import_tally
from diagnose.survey.tally import TALLY

INVENTED = "invented for the demonstration"
_SEED = 20260412


@dataclass
class Tree:
    """One invented plant.

    Parameters
    ----------
    part, plot, tag, species
        Where it stands, its names, and what it is [no unit].
    place
        North and east of the middle of the site [m].
    height_mm, stem_mm
        Height and stem's diameter at each of the two visits [mm].
    protected, hurt
        Does it stand in a guard, and was it hurt at each of the two visits? [no unit]
    signs
        What was seen at its wounds [no unit].
    """

    part: str
    plot: str
    tag: str
    species: str
    place: tuple[float, float]
    height_mm: tuple[float, float]
    stem_mm: tuple[float, float]
    protected: bool
    hurt: tuple[bool, bool]
    signs: list[dict[str, str]] = field(default_factory=list)


def lay(folder: str | Path, progress: Callable[[str], None] = lambda said: None) -> str:
    """Lays the invented planting into a new log folder; returns what lies where, in a few lines.

    Parameters
    ----------
    folder
        That is made [no unit].
    progress
        Called with what is being laid [no unit].

    Raises
    ------
    CannotUse
        For a folder that holds something already.
    """
    place = Path(folder).expanduser()
    if place.exists() and any(place.iterdir()):
        raise CannotUse(f"{place} is not empty; give a folder that does not exist yet")
    story = knowledge("diagnose.demo", "story.yaml")
    rng = np.random.default_rng(_SEED)
    log = open_log(place)
    progress("planting the trees")
    trees = _trees(story, rng)
    _site(log, story, trees)
    progress("looking at wounds")
    _wounds(log, story, trees)
    progress("taking photos")
    photos = _photos(story)
    _photographed(log, story, trees, photos)
    progress("putting up barriers")
    _barriers(log, story, trees, rng)
    progress("writing tallies and letters")
    for visit, day in enumerate(story["visits"]):
        file = place / f"tally-{day[:4]}.csv"
        _tally(file, story, trees, visit)
        import_tally(log, file, story["by"][visit])
    _mail(place / "inbox", story, photos)
    (place / "READ ME.txt").write_text(
        f"{story['site']}: {INVENTED}. No such place, person or damage exists; the photos are drawn by a program.\n",
        encoding="utf-8")
    return (f"{story['site']}: {len(trees)} plants, {len(log.observations(columns=('id',)))} observations, "
            f"{len(log.records('barrier'))} barriers, {len(photos)} photos, {len(story['mail'])} letters. All {INVENTED}.\n"
            f"  diagnose app --log {place}\n"
            f"  diagnose upkeep list --log {place}\n"
            f"  diagnose survey from-log --log {place}\n"
            f"  diagnose inbox take {place}/inbox --log {place}")


def _trees(story: Mapping[str, Any], rng: np.random.Generator) -> list[Tree]:
    trees = []
    names, weights = list(story["species"]), list(story["species"].values())
    for band, (part, told) in enumerate(story["parts"].items()):
        for number in range(story["plots_a_part"]):
            plot = f"{part[0].upper()}{number + 1}"
            centre = (35 - 38 * band + rng.normal(0, 3), -50 + 25 * number + rng.normal(0, 3))
            lean = rng.normal(0, 0.5)  # plots differ: damage comes in patches
            for tree in range(int(rng.integers(*story["trees_a_plot"]))):
                inside = bool(rng.random() < story["protected"])
                start = float(rng.uniform(250, 700))
                chance = [told["inside"] if inside else _shifted(share, lean) for share in told["browsed"]]
                hurt = (bool(rng.random() < told["browsed"][0]), bool(rng.random() < chance[1]))
                one = Tree(part, plot, f"{plot}-{tree + 1:02d}", str(rng.choice(names, p=weights)),
                           (centre[0] + rng.normal(0, 3), centre[1] + rng.normal(0, 3)),
                           (start, start + float(rng.uniform(*story["growth"]["leader_mm"]))),
                           (float(rng.uniform(6, 14)), 0.0), inside, hurt)
                one.stem_mm = (one.stem_mm[0], one.stem_mm[0] + float(rng.uniform(*story["growth"]["stem_mm"])))
                one.signs = [_drawn(told["signs"], rng) for _ in range(2)]
                trees.append(one)
    return trees


def _shifted(share: float, by: float) -> float:
    odds = share / (1 - share) * float(np.exp(by))
    return odds / (1 + odds)


def _drawn(signs: Mapping[str, Any], rng: np.random.Generator) -> dict[str, str]:
    """One answer for each sign; a choice of "" is one that nobody looked at."""
    answers = {}
    for name, told in signs.items():
        choice = told if isinstance(told, str) else str(rng.choice(list(told), p=list(told.values())))
        if choice:
            answers[name] = choice
    return answers


def _at(story: Mapping[str, Any], tree: Tree) -> dict[str, float]:
    lat = story["middle"][0] + tree.place[0] / METRES_PER_DEGREE
    lon = story["middle"][1] + tree.place[1] / (METRES_PER_DEGREE * float(np.cos(np.radians(lat))))
    return {"lat": round(lat, 6), "lon": round(lon, 6), "error_m": 6.0}


def _site(log: Log, story: Mapping[str, Any], trees: list[Tree]) -> None:
    site, by = story["site"], story["by"][0]
    ring = [*story["boundary"], story["boundary"][0]]
    log.save("site", name=site, boundary={"type": "Polygon", "coordinates": [ring]}, by=by, note=INVENTED)
    log.save_many("visit", [{"site": site, "day": day, "role": "primary", "by": by, "note": INVENTED}
                            for day in story["visits"]])
    plots = {tree.plot: tree for tree in reversed(trees)}
    log.save_many("plot", [{"site": site, "name": plot, "area_m2": story["plot_area_m2"], "by": by, **_at(story, tree)}
                           for plot, tree in sorted(plots.items())])
    log.save_many("plant", [{
        "site": site, "plot": tree.plot, "tag": tree.tag, "species": tree.species, "by": by,
        "height_mm": round(tree.height_mm[1]), "stem_diameter_mm": round(tree.stem_mm[1], 1),
        "protected": story["parts"][tree.part]["barrier"]["form"] if tree.protected else "",
    } for tree in trees])


def _wounds(log: Log, story: Mapping[str, Any], trees: list[Tree]) -> None:
    rows: list[dict[str, Any]] = []
    judged: dict[tuple[Any, ...], dict[str, Any]] = {}
    visits = log.records("visit").set_index("day")["id"]
    for visit, day in enumerate(story["visits"]):
        for place, tree in enumerate(each for each in trees if each.hurt[visit]):
            signs = parse_signs(tree.signs[visit])
            month = int(day[5:7])
            told = (month, *sorted(tree.signs[visit].items()))
            if told not in judged:  # many trees show the same
                found = diagnose_answers(signs, Circumstances(story["region"], month))
                judged[told] = {"verdict": found.verdict.as_json(), "leading": found.verdict.leading,
                                "barrier": found.barrier.as_json(), "catalogue": found.verdict.version}
            rows.append({
                "taken_at": f"{day}T{8 + place // 45:02d}:{place % 45 + 10:02d}:00", "taken_local": True,
                "site": story["site"], "plot": tree.plot, "visit": str(visits[day]), "plant": tree.tag,
                "species": tree.species, "by": story["by"][visit], "note": INVENTED, **_at(story, tree),
                "signs": signs_as_json(signs), **judged[told],
            })
    log.save_observations(rows)


def _photos(story: Mapping[str, Any]) -> list[bytes]:
    from diagnose.simulate import bark, twig

    drawn = []
    for told in story["photos"]:
        if told.get("bark"):
            drawn.append(bark.picture_of(bark.any_setting(told["seed"]))[0])
        else:
            setting = twig.TwigSetting(seed=told["seed"], kind=told["kind"], theta=told["theta"], diameter=told["diameter"],
                                   heading=20.0 + 40 * told["seed"] % 150, tilt=12.0, size=(1600, 1200))
            drawn.append(twig.picture_of(setting)[0])
    return drawn


def _photographed(log: Log, story: Mapping[str, Any], trees: list[Tree], photos: list[bytes]) -> None:
    day = story["visits"][1]
    around = Circumstances(story["region"], int(day[5:7]))
    for number, (told, data) in enumerate(zip(story["photos"], photos, strict=True)):
        tree = [each for each in trees if each.part == told["part"] and not each.protected][number]
        found = diagnose_photo(data, f"drawn-{number + 1}.jpg", answers=parse_signs(tree.signs[1]), circumstances=around)
        save_diagnosis(log, found, site=story["site"], plot=tree.plot, plant=tree.tag, species=tree.species,
                       by=story["by"][1], note=f"{INVENTED}; the photo is drawn by a program",
                       taken_at=f"{day}T15:{10 + number}:00", taken_local=True, **_at(story, tree))


def _barriers(log: Log, story: Mapping[str, Any], trees: list[Tree], rng: np.random.Generator) -> None:
    from diagnose.upkeep.register import check, found_by_chance, register, take_away

    site, by = story["site"], story["by"][0]
    rows = []
    for tree in trees:
        if tree.protected:
            kind = dict(story["parts"][tree.part]["barrier"])
            figures = {"culprits": kind.pop("culprits"), "snow_mm": 300.0}
            rows.append({"site": site, "plant": tree.tag, "label": tree.tag, "species": tree.species, "pieces": 1.0,
                         "by": by, "built": story["built"], "note": INVENTED, "figures": figures, **kind,
                         **_at(story, tree)})
    ids = log.save_many("barrier", rows)
    looks: list[dict[str, Any]] = []
    findings = ["sound", "leaning", "damaged", "gnawed", "too tight"]
    inside = [tree for tree in trees if tree.protected]
    for visit, day in enumerate(story["checks"]):
        found = rng.choice(findings, size=len(ids), p=[0.86, 0.06, 0.04, 0.03, 0.01])
        for one, tree, finding in zip(ids, inside, found, strict=True):
            looks.append({"barrier": one, "day": day, "finding": str(finding), "by": story["by"][visit],
                          "stem_diameter_mm": round(tree.stem_mm[visit], 1), "height_mm": round(tree.height_mm[visit]),
                          "note": INVENTED})
    log.save_many("check", looks)
    found_by_chance(log, "old wire", embedded=True, by=by, site=site, label="old fence by the kettle", note=INVENTED,
                    lat=story["middle"][0] + 0.0006, lon=story["middle"][1] - 0.0005, error_m=8.0)
    fence = register(log, "electric fence", by, site=site, label="lower side", built=story["built"], pieces=180.0,
                     note=INVENTED, lat=story["middle"][0] - 0.0005, lon=story["middle"][1], error_m=5.0)
    check(log, fence, "sound", date.fromisoformat(story["visits"][1]) + timedelta(days=3), by)
    gone = register(log, "cage", by, site=site, label="trial cage", built="2023-05-01", note=INVENTED,
                    material="welded wire", lat=story["middle"][0] + 0.0002, lon=story["middle"][1] + 0.0006, error_m=6.0)
    take_away(log, gone, date.fromisoformat(story["visits"][1]), "two steel stakes", by)


def _tally(file: Path, story: Mapping[str, Any], trees: list[Tree], visit: int) -> None:
    """The crew's filled tally of one visit, as CSV."""
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, [one.name for one in TALLY])
        writer.writeheader()
        for tree in trees:
            hurt = tree.hurt[visit]
            at_leader = hurt and tree.part != "lower"
            writer.writerow({
                "site": story["site"], "visit": story["visits"][visit], "plot": tree.plot,
                "plot_area_m2": story["plot_area_m2"], "reached": 1, "tree": tree.tag, "species": tree.species,
                "height_cm": round(tree.height_mm[visit] / 10), "browsed": int(at_leader),
                "stem_damage": "gnawed" if hurt and not at_leader else "",
                "protection": story["parts"][tree.part]["barrier"]["form"] if tree.protected and visit else "",
                "alive": 1, "note": INVENTED if tree is trees[0] else "",
            })


def _mail(folder: Path, story: Mapping[str, Any], photos: list[bytes]) -> None:
    folder.mkdir()
    for number, told in enumerate(story["mail"], 1):
        letter = EmailMessage()
        letter["From"], letter["To"], letter["Subject"] = told["from"], "adviser@example.org", told["about"]
        letter["Date"] = f"Mon, {12 + number} Apr 2026 09:{number:02d}:00 +0000"
        letter["Message-ID"] = f"<{number}@example.org>"
        letter.set_content(f"{told['text']}\n\n({INVENTED})\n")
        for photo in told["photos"]:
            letter.add_attachment(photos[photo], "image", "jpeg", filename=f"IMG_{100 + photo}.jpg")
        (folder / f"letter-{number}.eml").write_bytes(letter.as_bytes())
