"""What do the three users need to read, and where does it stand?"""

from __future__ import annotations

from pathlib import Path

from diagnose.culprits.ranges import range_rows

# file -> heading in the app
GUIDES = {
    "owner": "Something eats my trees: for owners",
    "adviser": "Many people ask me: for advisers",
    "crew": "Weeks in the field: for survey crews",
    "own_twigs": "How far may I trust it here: with your own twigs",
    "animals": "Where which animals are counted",
    "team": "One app for a team: sharing, login, a shared log",
}


def guide_text(name: str) -> str:
    """A guide as Markdown, without its heading. Raises KeyError for one that does not exist."""
    if name not in GUIDES:
        raise KeyError(name)
    text = (Path(__file__).parent / f"{name}.md").read_text(encoding="utf-8")
    text = text.split("\n", 1)[1].lstrip()
    return text + animals_table() if name == "animals" else text


def animals_table() -> str:
    """Where each animal lives, as a Markdown table made from the ranges that the verdict goes by."""
    head = ("Animal", "Resident in", "Doubtful in", "Yet absent from", "Known from")
    return "\n".join("| " + " | ".join(row) + " |" for row in (head, ("---",) * 5, *range_rows())) + "\n"
