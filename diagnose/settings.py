"""What has this person settled once for command and app alike: where the log is, the region, units, paper, initials?"""

from __future__ import annotations

from pathlib import Path

DEFAULT_LOG = Path.home() / "browse-log"
