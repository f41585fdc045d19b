"""How the documentation is set: Sphinx reads it."""

import re

from sphinx.application import Sphinx

import diagnose

project, author, release = "Browse diagnosis", "the contributors of this project", diagnose.__version__
copyright = f"2026, {author}"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_heading_anchors = 3
autodoc_typehints = "description"
autodoc_typehints_description_target = "documented"
napoleon_use_rtype = False
html_theme = "furo"
html_title = f"{project} {release}"
html_show_sphinx = False
html_copy_source = False
nitpicky = False
# what stands on the line of a parameter's name is read as its type, in which any word may look like a reference
suppress_warnings = ["ref.python"]


def setup(app: Sphinx) -> None:
    """Docstrings are written to be read as they stand; what they hold that Sphinx would take for marks is kept as it is."""
    app.connect("autodoc-process-docstring", plain)


def plain(_app: Sphinx, _what: str, _name: str, _of: object, _options: object, lines: list[str]) -> None:
    """Sources as a list, each with its number, instead of footnotes, whose numbers are shared by a whole page."""
    for number, line in enumerate(lines):
        line = re.sub(r"\.\. \[(\d+)\] ", r"- [\1] ", line)
        line = re.sub(r"\[(\d+)\]_", r"[\1]", line)
        line = re.sub(r"(?<![`\w])(\w+)_(?!\w)", r"\1\\_", line)
        lines[number] = re.sub(r"(?<!\\)\|", r"\\|", line)
