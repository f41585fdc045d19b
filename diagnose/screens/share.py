"""Who may use the app when it is shared: which device has shown a one-time code?

Shared on purpose (`diagnose app --share`) the app listens to the whole local network, and no address is trusted: every
device, this computer's browser too, shows a code once. A code lets one device in and is then replaced. The device is
known again by a random cookie. The app keeps the devices in memory: after it was restarted each shows a new code.
"""

from __future__ import annotations

import secrets
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # no 0 and O, no 1 and I: codes are read aloud and typed
CODE_LENGTH = 8  # 32 ** 8 codes; with the pause below a guess a second would take 17,000 years on average
_WRONG_BEFORE_PAUSE = 5
_PAUSE_S = 60.0


def new_code() -> str:
    """A code of 8 letters and digits from the operating system's source of chance."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


@dataclass
class Door:
    """Lets a device in that shows the current code.

    clock : seconds that only go forward; tests give their own.
    """

    code: str = field(default_factory=new_code)
    clock: Callable[[], float] = time.monotonic
    _inside: set[str] = field(default_factory=set)
    _wrong: list[float] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def is_inside(self, device: str) -> bool:
        return device in self._inside

    def shuts_for(self) -> float:
        """Seconds for which no code is looked at, after too many wrong ones; 0 when the door listens."""
        recent = [when for when in self._wrong if self.clock() - when < _PAUSE_S]
        return 0.0 if len(recent) < _WRONG_BEFORE_PAUSE else _PAUSE_S - (self.clock() - recent[0])

    def show(self, code: str, device: str) -> bool:
        """Does the code let this device in? A right code is used up by it; wrong ones make the door pause."""
        with self._lock:
            if self.shuts_for() > 0:
                return False
            if secrets.compare_digest(code.strip().upper().encode(), self.code.encode()):
                self._inside.add(device)
                self.code = new_code()
                self._wrong.clear()
                return True
            self._wrong = [*self._wrong, self.clock()][-_WRONG_BEFORE_PAUSE:]
            return False


def own_address() -> str:
    """This machine's address on its local network, without sending anything; 127.0.0.1 when it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # reserved for documentation (RFC 5737); a UDP connect sends nothing
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def joining_address(port: int, code: str) -> str:
    """What a phone opens: the address with the code in it."""
    return f"http://{own_address()}:{port}/?code={code}"
