"""How the documentation is set: Sphinx reads it."""

import re
from typing import Any

from sphinx.application import Sphinx
from sphinx.domains.python import PythonDomain

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
html_static_path = html_css_files = ["tables.css"]
nitpicky = False
highlight_language = "none"  # a diagram is no program
smartquotes = False  # --json is no dash
# a record that two modules offer is found twice
suppress_warnings = ["ref.python"]


def setup(app: Sphinx) -> None:
    """Docstrings are written to be read as they stand; what they hold that Sphinx would take for marks is kept as it is."""
    app.connect("autodoc-process-docstring", plain, priority=400)  # before napoleon, whose is 500
    app.add_domain(Known, override=True)


class Known(PythonDomain):
    """Looks through all names only for what one of them ends with: for float, int and str it took a sixth of all time."""

    ends: tuple[int, set[str]] = 0, set()

    def find_obj(self, env: Any, modname: Any, classname: Any, name: str, *how: Any) -> list[Any]:
        if self.ends[0] != len(self.objects):
            self.ends = len(self.objects), {one.rpartition(".")[2] for one in self.objects}
        found = name.removesuffix("()").rpartition(".")[2] in self.ends[1]
        return super().find_obj(env, modname, classname, name, *how) if found else []


def plain(_app: Sphinx, _what: str, _name: str, _of: object, _options: object, lines: list[str]) -> None:
    """Sources become a list, since a page would share the numbers of footnotes; what stands beside a name goes below."""
    found, section = [], ""
    for number, line in enumerate(lines):
        line = re.sub(r"\.\. \[(\d+)\] ", r"- [\1] ", line)
        line = re.sub(r"\[(\d+)\]_", r"[\1]", line)
        line = re.sub(r"(?<![`\w])(\w+)_(?!\w)", r"\1\\_", line)
        line = re.sub(r"(?<!\\)\|", r"\\|", line)
        if number + 1 < len(lines) and lines[number + 1].startswith("---"):
            section = line
        name, colon, description = line.partition(" : ")
        beside = section == "Parameters" and colon and not line.startswith(" ")
        found += [name, f"    {description}"] if beside else [line]
    lines[:] = found
