"""Runs a piece of Python in a process of its own and tells what memory and time it took at most."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parent.parent
# as a user has it: a whole run of the tests lets the C library keep what it was given back, quicker but with more memory
AS_A_USER = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
_PEAK = """
import resource
resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
{code}
from diagnose.validation.memory import peak_mb
print(f"\\npeak {{peak_mb()}}")
"""


def peak_mb(code: str, *arguments: str) -> tuple[float, str]:
    """The most memory [MB] that the code took, imports included, and what it printed; arguments stand in sys.argv."""
    ran = subprocess.run([sys.executable, "-c", _PEAK.format(code=code), *arguments], cwd=TOP, capture_output=True,
                         text=True, env=AS_A_USER)
    assert ran.returncode == 0, ran.stderr[-1500:]
    told, _, peak = ran.stdout.rpartition("\npeak ")
    return float(peak) * 1.048576, told
