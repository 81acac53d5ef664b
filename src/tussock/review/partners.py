"""In: the text that names the partners in a tank. Out: product, amount and share of the mix of each."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

#: A partner in the tank as the units name it: "product: 3.2 fl oz (2 %)".
_PARTNER: Final = re.compile(r"(?P<product>.+?): (?P<amount>[^()]*) \((?P<share>[0-9.eE+-]+) %\)")


@dataclass(frozen=True)
class Partner:
    """A partner in the tank as a unit states it: product, amount in words, share of the mix."""

    product: str
    amount: str
    share: float


def read_partners(text: str) -> list[Partner] | None:
    """Return the partners that a unit states; None where the text cannot be read."""
    partners = []
    for part in [item for item in text.split("; ") if item]:
        match = _PARTNER.fullmatch(part)
        if match is None:
            return None
        partners.append(Partner(match["product"], match["amount"], float(match["share"]) / 100))
    return partners
