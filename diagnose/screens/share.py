"""Who may use the app when it is shared: which browser has shown a one-time code?

Shared on purpose (`diagnose app --share`) the app listens to the whole local network, and no address is trusted: every
browser, this computer's too, shows a code once. A code lets one browser in and is then replaced. The app keeps who is
inside in memory: after it was restarted each shows a new code.
"""

from __future__ import annotations

import ipaddress
import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from diagnose.certificate import own_address

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # no 0 and O, no 1 and I: codes are read aloud and typed
CODE_LENGTH = 10  # 32 ** 10 codes: see Codes for how long guessing takes
_WITHOUT_PAUSE = 3  # wrong codes: slips of the finger
_FIRST_PAUSE_S = 2.0
_LONGEST_PAUSE_S = 900.0
_FORGOTTEN_S = 3_600.0
_MOST_ADDRESSES = 50_000  # about 10 MB


def new_code() -> str:
    """A code of letters and digits from the operating system's source of chance."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


@dataclass
class Codes:
    """Lets a browser in that shows the current code.

    Wrong codes slow down the address that they come from, and nobody else: after the third each pause is twice as long as
    the one before, up to a quarter of an hour; an hour after the last one they are forgotten. So one address has fewer than
    250 guesses a day, and 50,000 addresses, as many as are remembered, would find a code of ten in 120,000 years on average.
    Who shares an address, as behind one router, shares its pauses.

    Parameters
    ----------
    code
        The current one [no unit].
    clock
        Tells a time that only goes forward; tests give their own [s].
    """

    code: str = field(default_factory=new_code)
    clock: Callable[[], float] = time.monotonic
    _inside: set[str] = field(default_factory=set)
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)  # address -> how many, and when the last [s]
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def is_inside(self, token: str) -> bool:
        """Was this token given for a right code?

        Parameters
        ----------
        token
            That a browser shows [no unit].
        """
        return token in self._inside

    def waits(self, address: str) -> float:
        """Seconds for which no code from this address is looked at; 0 when one is.

        Parameters
        ----------
        address
            Of the network, that a code comes from [no unit].
        """
        count, last = self._wrong.get(_sender(address), (0, 0.0))
        since = self.clock() - last
        if count < _WITHOUT_PAUSE or since >= _FORGOTTEN_S:
            return 0.0
        doublings = min(count - _WITHOUT_PAUSE, 30)
        return max(0.0, min(_FIRST_PAUSE_S * 2**doublings, _LONGEST_PAUSE_S) - since)

    def show(self, code: str, address: str) -> str | None:
        """A token for the browser where the code is right, which is used up by it; None where it is wrong, or not looked at.

        Parameters
        ----------
        code
            As it was typed [no unit].
        address
            Of the network, that the code comes from [no unit].
        """
        with self._lock:
            if self.waits(address) > 0:
                return None
            sender = _sender(address)
            count, last = self._wrong.pop(sender, (0, 0.0))
            if secrets.compare_digest(code.strip().upper().encode(), self.code.encode()):
                token = secrets.token_hex(16)
                self._inside.add(token)
                self.code = new_code()
                return token
            now = self.clock()
            self._wrong[sender] = (count + 1 if now - last < _FORGOTTEN_S else 1, now)
            self._forget(now)
            return None

    def _forget(self, now: float) -> None:
        """The addresses stand in the order of their last wrong code: the oldest are first."""
        while self._wrong:
            oldest = next(iter(self._wrong))
            if len(self._wrong) <= _MOST_ADDRESSES and now - self._wrong[oldest][1] < _FORGOTTEN_S:
                return
            del self._wrong[oldest]


def _sender(address: str) -> str:
    """The address as it is counted: one machine has as many IPv6 addresses of one network as it likes (RFC 4291, /64)."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((int(parsed), 64), strict=False))
    return str(parsed)


def scheme_of() -> str:
    """How the app is served: https or http."""
    return "https" if os.environ.get("DIAGNOSE_HTTPS") else "http"


def joining_address(port: int, code: str) -> str:
    """What a phone opens: the address with the code in it.

    Parameters
    ----------
    port
        That the app is served on [no unit].
    code
        That lets the phone in [no unit].
    """
    return f"{scheme_of()}://{own_address()}:{port}/?code={code}"
