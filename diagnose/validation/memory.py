"""How much memory did this process hold at most?"""

from __future__ import annotations

from pathlib import Path


def peak_mb() -> float:
    """The most memory that this process held [MB of 2**20 bytes].

    Linux hands the parent's peak down in ru_maxrss, so it is read elsewhere there.
    """
    status = Path("/proc/self/status")
    if status.exists():
        peak = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
        return int(peak.split()[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
