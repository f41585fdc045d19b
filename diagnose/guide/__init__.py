"""What do the three users need to read, and where does it stand?"""

from __future__ import annotations

from pathlib import Path

from diagnose.culprits.ranges import is_covered, range_rows, ranges, residents
from diagnose.places import Place
from diagnose.protect.requirement import needs
from diagnose.protect.sources import sources

PICTURES = Path(__file__).parent / "pictures"
# file -> heading in the app
GUIDES = {
    "owner": "Something eats my trees: for owners",
    "adviser": "Many people ask me: for advisers",
    "crew": "Weeks in the field: for survey crews",
    "questions": "Questions people ask, each with its answer",
    "pocket": "In the pocket: on any phone, without a signal",
    "photos": "Print the card, take the photo",
    "upkeep": "My barriers stand: for whoever looks after them",
    "command": "On the command line: settings, pipes, scripts",
    "trust": "How far to trust it: what was measured where the truth is known",
    "own_twigs": "How far may I trust it here: with your own twigs",
    "attribution": "How a verdict is reached",
    "estimates": "How a survey is worked out",
    "plans": "How a plan is chosen",
    "animals": "Where which animals are counted",
    "team": "One app for a team: sharing, login, a shared log",
    "glossary": "Words, each with one meaning",
    "changes": "What changed, licence, how to cite",
}


def guide_text(name: str) -> str:
    """A guide as Markdown, without its heading.

    Parameters
    ----------
    name
        Of GUIDES [no unit].

    Raises
    ------
    KeyError
        For one that does not exist.
    """
    if name not in GUIDES:
        raise KeyError(name)
    text = (Path(__file__).parent / f"{name}.md").read_text(encoding="utf-8")
    text = text.split("\n", 1)[1].lstrip()
    made = {"animals": ranges_told, "questions": needs_told}
    return text + made[name]() if name in made else text


def needs_told() -> str:
    """What keeps each animal off: least height, widest opening and the foot, a row each in Markdown, with the sources."""
    rows = ["| animal | least height above the ground | widest opening | at the foot | read where |",
            "| --- | --- | --- | --- | --- |"]
    for need in needs().values():
        told = [need.get(figure, {}) for figure in ("top", "opening", "base")]
        if not all(one.get("value") is not None for one in told[:2]):
            continue
        high, wide, foot = told
        read = dict.fromkeys(sources()[one["source"]]["called"] for one in (high, wide))
        rows.append(f"| {need['name']} | {high['value'] / 1000:g} m | {wide['value']:g} mm | {foot.get('treatment', '')} | "
                    f"{'; '.join(read)} |")
    return "\n".join(rows) + "\n"


def ranges_told() -> str:
    """Where each animal lives and how that is known, a paragraph each in Markdown, made from the ranges themselves."""
    words = ("Resident in", "Doubtful in", "Absent from", "Known from")

    def paragraph(name: str, *told: str) -> str:
        return f"**{name}.** " + " ".join(f"*{word}* {what}." for word, what in zip(words, told, strict=True) if what)

    return "\n\n".join(paragraph(*row) for row in range_rows()) + "\n"


def counted_at(place: Place) -> str:
    """Which animals are counted at a place, in Markdown.

    Parameters
    ----------
    place
        Where the planting is [no unit].
    """
    found = residents(place)
    covered = is_covered(place)
    told = [f"{place.name}." if covered else f"{place.name}: of most of its animals nothing is told, so the wound alone is "
            "judged."]
    for word in ("resident", "doubtful"):
        names = [ranges()[key].short for key, kind in found.items() if kind == word]
        told += [f"*{word.capitalize()}*: {', '.join(names)}."] if names else []
    return " ".join(told)
