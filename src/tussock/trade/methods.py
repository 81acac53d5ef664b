"""In: `data/methods.toml` and `data/widths.toml`. Out: one record per treatment method, and defaults that say so.

The records are read on first use. Values are what is usual in the trade: the label and the user's files overrule them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, ValidationError

from tussock.base import units as u
from tussock.base.errors import Fault, InputError, QuantityError
from tussock.base.records import (
    DELIVERY,
    Carrier,
    Delivery,
    GrowthForm,
    MethodName,
    Record,
    ShareRange,
    Text,
    Treatment,
    Words,
)
from tussock.trade.tables import read_rows


def _rate_range(value: Any) -> Any:
    low, high = (u.parse_quantity(end, "L/ha") for end in value)
    if low > high:
        raise QuantityError(f"{value!r}, a range that ends below its start")
    return low, high


class Method(Record):
    """One way to treat: what its amounts follow from, and what is usual with it.

    Attributes
    ----------
    name, title
        Name in the files, and in words.
    basis
        Whether amounts follow from the ground or from stems.
    carrier
        Usual carrier; None for a way without herbicide.
    reach_m
        How far it works from where the person or the machine stands [m]: arm's length, the throw of the spray, or 0.
    stands
        Who must stand within reach: a person, who also wades, or a machine, which does not.
    from_boat
        Whether it can be worked from a boat.
    spray_volume_l_per_ha
        Usual range of liquid on the treated ground [L/ha]; None where none is customary.
    concentration
        Usual range of product in the mix (shares by volume); None where none is customary.
    growth_forms
        Growth forms it is usual for; another one is a warning, never a refusal.
    cautions
        What can hurt people, water or trees.
    source
        Where the row's figures come from.
    """

    name: MethodName
    title: Text
    basis: Literal["ground", "stems"]
    carrier: Carrier | None = None
    reach_m: u.LengthM = Field(alias="reach")
    stands: Literal["person", "machine"]
    from_boat: bool
    spray_volume_l_per_ha: Annotated[tuple[float, float], BeforeValidator(_rate_range)] | None = Field(
        default=None, alias="spray_volume"
    )
    concentration: ShareRange | None = None
    growth_forms: tuple[GrowthForm, ...]
    cautions: Words
    source: Text

    @property
    def delivery(self) -> Delivery:
        """Delivery class that published buffer tables use."""
        return DELIVERY[self.name]

    def warn_growth_form(self, growth_form: str) -> str:
        """Return a warning where the method is not usual for a growth form; an empty text where it is."""
        if growth_form in self.growth_forms:
            return ""
        return f"{self.title} is not usual on a {growth_form} (usual: {', '.join(self.growth_forms)})"


class _Methods(Mapping[str, Method]):
    """All methods by name, read from the packaged table on first use."""

    def __getitem__(self, name: str) -> Method:
        return _read_methods()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(_read_methods())

    def __len__(self) -> int:
        return len(_read_methods())


#: Every method by name.
METHODS: Final[Mapping[str, Method]] = _Methods()


@lru_cache(maxsize=1)
def _read_methods() -> dict[str, Method]:
    methods: dict[str, Method] = {}
    for place, row in enumerate(read_rows("methods.toml", "method")):
        try:
            method = Method.model_validate(row)
        except ValidationError as error:
            raise InputError(
                Fault("methods.toml", f"method[{place}]", str(error), "mend the packaged table")
            ) from error
        methods[method.name] = method
    return methods


#: Methods without herbicide.
NON_CHEMICAL: Final = tuple(name for name, delivery in DELIVERY.items() if delivery == "none")


def find_reach_m(treatment: Treatment) -> float:
    """Return how far a treatment works from where the person or the machine stands [m]: its own, else its method's."""
    own = treatment.throw_m if treatment.throw_m is not None else treatment.reach_m
    return METHODS[treatment.method].reach_m if own is None else own


def offer_non_chemical(growth_form: str) -> str:
    """Return a way without herbicide for a growth form, in words.

    Raises
    ------
    QuantityError
        Not a growth form.
    """
    words = _non_chemical()
    if growth_form not in words:
        raise QuantityError(f'growth form "{growth_form}"; write one of {", ".join(words)}')
    return words[growth_form]


@lru_cache(maxsize=1)
def _non_chemical() -> dict[str, str]:
    return {row["growth_form"]: row["words"] for row in read_rows("methods.toml", "non_chemical")}


def default_width_m(kind: str) -> float | None:
    """Return the width to take for a centreline of a kind of water that has none [m]; None for other kinds.

    The widths are invented defaults on the wide side: whatever rests on one needs a check in the field.
    """
    return _widths().get(kind.strip().casefold())


@lru_cache(maxsize=1)
def _widths() -> dict[str, float]:
    return {
        kind: u.parse_quantity(row["width"], "m") for row in read_rows("widths.toml", "width") for kind in row["kind"]
    }
