"""How a figure of ours is compared with a printed one."""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal

import pytest


@pytest.fixture(name="check_figure")
def fixture_check_figure() -> Callable[[float, float, float, float, str], None]:
    """Compare with the exact figure, worked out by hand, and with the print.

    ``last_place`` is one unit in the last printed place. Without a ``why`` the print agrees within one such unit; with
    one, the print is not the exact figure rounded half up, and ``why`` says what went on.
    """

    def check(ours: float, exact: float, printed: float, last_place: float, why: str) -> None:
        assert ours == pytest.approx(exact, rel=1e-9)
        if why:
            place = Decimal(str(last_place))
            rounded = (Decimal(str(round(ours, 9))) / place).quantize(Decimal(1), rounding=ROUND_HALF_UP) * place
            assert rounded != Decimal(str(printed)), f"the print agrees after all: {why}"
        else:
            assert abs(ours - printed) <= last_place

    return check
