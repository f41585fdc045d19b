"""What do the three users need to read, and where does it stand?"""

from __future__ import annotations

from pathlib import Path

# file -> heading in the app
GUIDES = {
    "owner": "Something eats my trees: for owners",
    "adviser": "Many people ask me: for advisers",
    "crew": "Weeks in the field: for survey crews",
    "command": "On the command line: settings, pipes, scripts",
    "own_twigs": "How far may I trust it here: with your own twigs",
    "team": "One app for a team: sharing, login, a shared log",
}


def guide_text(name: str) -> str:
    """A guide as Markdown, without its heading. Raises KeyError for one that does not exist."""
    if name not in GUIDES:
        raise KeyError(name)
    text = (Path(__file__).parent / f"{name}.md").read_text(encoding="utf-8")
    return text.split("\n", 1)[1].lstrip()
