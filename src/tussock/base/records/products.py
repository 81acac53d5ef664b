"""In: keys and values of product and treatment files. Out: labels as records, and the candidates that use them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Final, Self

from pydantic import BeforeValidator, Field, model_validator

from tussock.base import units as u
from tussock.base.days import SeasonWindow
from tussock.base.errors import QuantityError
from tussock.base.records.words import (
    DELIVERY,
    Carrier,
    Delivery,
    Form,
    GrowthForm,
    MethodName,
    Record,
    Text,
    Words,
    _as_tuple,
)


def _range(value: Any) -> Any:
    pair = [value, value] if isinstance(value, str) else value
    if not (isinstance(pair, list | tuple) and len(pair) == 2):  # noqa: PLR2004  (a range has two ends)
        raise QuantityError(f'{value!r}; write the label\'s range, such as ["0.5 %", "5 %"]')
    low, high = (u._share(end) for end in pair)
    if low > high:
        raise QuantityError(f"{value!r}, a range that ends below its start; write the lower share first")
    return low, high


ShareRange = Annotated[tuple[float, float], BeforeValidator(_range)]


def _set_strength(read: dict[str, Any]) -> None:
    """Turn a strength written as active ingredient into ae; without the ratio it is refused."""
    if "strength_ai" not in read:
        read.pop("ae_per_ai", None)
        return
    ai = u._strength(read.pop("strength_ai"))
    if "strength" in read:
        raise QuantityError("strength and strength_ai together; give one of them")
    if "ae_per_ai" not in read:
        raise QuantityError(
            'strength_ai without a ratio: limits are in acid equivalent; add ae_per_ai = "74.1 %" '
            "(the label, or `tussock calibrate ae`), or write strength as ae"
        )
    read["strength"] = u.parsed(ai * u._share(read.pop("ae_per_ai")))


class TankMixPartner(Record):
    """Another product in the same tank, with its share of the mix."""

    product: Text
    concentration: u.Share


class Product(Record):
    """An herbicide product as its label describes it. Strength and limits are acid equivalent (ae).

    A limit may be written as ae for an area ("8 lb/acre") or as product for an area ("8.5 qt/acre"); a strength as ae,
    or as active ingredient (``strength_ai``) with the acid in it (``ae_per_ai``). ``active_names`` are other names that
    labels and records give the active, for one that the table of names does not have.
    """

    id: Text
    active: Text
    active_names: Words = ()
    form: Form
    strength_kg_per_l: u.StrengthKgPerL = Field(alias="strength")
    aquatic_label: bool
    methods: dict[MethodName, ShareRange]
    carrier: Annotated[tuple[Carrier, ...], BeforeValidator(_as_tuple)] = ("water",)
    limit_per_application_kg_per_ha: u.DoseKgPerHa | None = Field(default=None, alias="limit_per_application")
    limit_per_year_kg_per_ha: u.DoseKgPerHa | None = Field(default=None, alias="limit_per_year")
    limit_stems_per_year_per_ha: u.DensityPerHa | None = Field(default=None, alias="limit_stems_per_year")
    max_applications_per_year: int | None = Field(default=None, gt=0)
    min_interval_s: u.DurationS | None = Field(default=None, alias="min_interval")
    season: SeasonWindow | None = None
    heat_limit: str = ""
    soil_active: bool = False
    restricted_use: bool = False
    registration: str = ""
    signal_word: str = ""
    ppe: Words = ()
    reentry: str = ""
    wind: str = ""
    temperature: str = ""
    rain: str = ""
    source: Text

    @model_validator(mode="before")
    @classmethod
    def _limits_as_ae(cls, data: Any) -> Any:
        """Turn a limit written as product for an area into ae, by the strength."""
        if not isinstance(data, dict):
            return data
        read = dict(data)
        _set_strength(read)
        for key in ("limit_per_application", "limit_per_year"):
            try:
                volume = u.parse_quantity(read.get(key), "L/ha")
                written = read.get("strength")
                strength = written if isinstance(written, u._Parsed) else u.parse_quantity(written, "kg/L")
            except QuantityError:
                continue  # ae for an area, or a fault that the field itself reports
            read[key] = u.parsed(volume * strength)
        return read


#: Keys that give the dose of a stem method, each with the keys that it needs beside it (one of each group).
STEM_DOSES: Final[dict[str, dict[str, tuple[tuple[str, ...], ...]]]] = {
    "stem_injection": {"dose_per_cut": (("cut_per_diameter", "cut_spacing"),), "dose_per_stem": ()},
    "cut_stump": {"dose_per_ring_area": (("ring_width",),), "dose_per_cut": (), "dose_per_stem": ()},
    "basal_bark": {"dose_per_bark_area": (("band_height",),), "dose_per_stem": ()},
}
_DOSE_KEYS: Final = ("spray_volume", *dict.fromkeys(key for keys in STEM_DOSES.values() for key in keys))
_EXAMPLES: Final = {
    "cut_per_diameter": "3 in",
    "cut_spacing": "3 in",
    "ring_width": "1 in",
    "band_height": "15 in",
}
#: Shares that fill the whole tank may be over it by the noise of floats.
_SHARE_SLACK: Final = 1e-9


class Treatment(Record):
    """A candidate: growth form or species x method x product x rate x season; lowest allowed preference is chosen.

    The dose is stated in one way: a spray volume for the ground, or for stems one of the keys of `STEM_DOSES` with
    what it needs beside it. There is no default: what is not stated is asked for.
    """

    id: Text
    growth_form: Annotated[tuple[GrowthForm, ...], BeforeValidator(_as_tuple)] = ()
    species: Words = ()
    method: MethodName
    product: Text | None = None
    concentration: u.Share | None = None
    spray_volume_l_per_ha: u.RateLPerHa | None = Field(default=None, alias="spray_volume")
    dose_per_cut_l: u.PositiveVolumeL | None = Field(default=None, alias="dose_per_cut")
    dose_per_stem_l: u.PositiveVolumeL | None = Field(default=None, alias="dose_per_stem")
    cut_per_diameter_m: u.PositiveLengthM | None = Field(default=None, alias="cut_per_diameter")
    cut_spacing_m: u.PositiveLengthM | None = Field(default=None, alias="cut_spacing")
    ring_width_m: u.PositiveLengthM | None = Field(default=None, alias="ring_width")
    dose_per_ring_area_l_per_m2: u.DoseLPerM2 | None = Field(default=None, alias="dose_per_ring_area")
    band_height_m: u.PositiveLengthM | None = Field(default=None, alias="band_height")
    dose_per_bark_area_l_per_m2: u.DoseLPerM2 | None = Field(default=None, alias="dose_per_bark_area")
    throw_m: u.PositiveLengthM | None = Field(default=None, alias="throw")
    reach_m: u.LengthM | None = Field(default=None, alias="reach")
    flow_l_per_s: u.FlowLPerS | None = Field(default=None, alias="flow")
    tank_mix: tuple[TankMixPartner, ...] = ()
    stem_diameter_m: tuple[u.LengthM, u.LengthM] | None = Field(default=None, alias="stem_diameter")
    treat_within_s: u.DurationS | None = Field(default=None, alias="treat_within")
    carrier: Carrier | None = None
    dye: u.Share | None = None
    adjuvant: u.Share | None = None
    season: SeasonWindow | None = None
    windows: dict[str, SeasonWindow] = Field(default_factory=dict)
    equipment: Text | None = None
    up_to_limit: bool | None = None
    preference: int = 100
    note: str = ""
    source: str = ""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        self._check()
        return self

    def _check(self) -> None:
        """Refuse a treatment that contradicts itself or lacks what it needs."""
        if not self.growth_form and not self.species:
            raise QuantityError("neither growth_form nor species; name what the treatment is for")
        if self.delivery == "none":
            extra = [key for key in ("product", "concentration") if getattr(self, key) is not None]
            if extra:
                raise QuantityError(f'{" and ".join(extra)} with the non-chemical method "{self.method}"; leave it out')
            return
        if self.product is None:
            raise QuantityError(f'no product for the herbicide method "{self.method}"; name one of the catalog')
        if self.concentration is None:
            raise QuantityError('no concentration; write the share of product in the mix, such as "20 %"')
        if self.concentration == 0:
            raise QuantityError("a concentration of 0 %; write the share of product in the mix")
        self._check_dose()
        self._check_tank()
        self._check_shares()
        if self.stem_diameter_m is not None and self.stem_diameter_m[0] > self.stem_diameter_m[1]:
            raise QuantityError("stem_diameter that ends below its start; write the smaller diameter first")
        if self.cut_per_diameter_m is not None and self.cut_spacing_m is not None:
            raise QuantityError("cut_per_diameter and cut_spacing together; give one of them")

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """Return a copy with some values replaced, checked like one that was read."""
        copied = super().model_copy(update=update, deep=deep)
        try:
            copied._check()
        except QuantityError as error:
            raise QuantityError(f'treatment "{copied.id}": {error}') from error
        return copied

    def _has(self, key: str) -> bool:
        """Tell whether a key of the file is given."""
        name = next(name for name, field in type(self).model_fields.items() if key in (name, field.alias))
        return getattr(self, name) is not None

    def _check_dose(self) -> None:
        """Refuse a dose that is not stated, stated twice, or that lacks what it is counted by."""
        given = [key for key in _DOSE_KEYS if self._has(key)]
        ways = STEM_DOSES.get(self.method, {})
        unused = [key for key in given if key != "spray_volume" and key not in ways]
        if unused:
            raise QuantityError(f'{" and ".join(unused)} with "{self.method}", which does not use it; leave it out')
        if len(given) > 1:
            raise QuantityError(f"{' and '.join(given)} together; give one of them")
        if not given and not ways:
            raise QuantityError(
                f'no spray_volume for "{self.method}"; write it per infested ground, such as "5 gal/acre"'
            )
        if not given:
            listed = ", ".join(key + "".join(f" with {' or '.join(group)}" for group in ways[key]) for key in ways)
            raise QuantityError(f'no dose for "{self.method}"; give one of {listed}, or spray_volume')
        for group in ways.get(given[0], ()):
            if not any(self._has(key) for key in group):
                asked = " or ".join(f'{key} = "{_EXAMPLES[key]}"' for key in group)
                raise QuantityError(f"{given[0]} without {' or '.join(group)}; give {asked}, or dose_per_stem instead")

    def _check_tank(self) -> None:
        """Refuse a product that stands in the tank twice: its label's range holds for all of it."""
        names = [self.product, *(item.product for item in self.tank_mix)]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise QuantityError(f"{twice} stands in the tank twice; name it once, with its whole share of the mix")

    def _check_shares(self) -> None:
        """Refuse a mix whose parts are more than the whole."""
        parts = {"concentration": self.concentration, "dye": self.dye, "adjuvant": self.adjuvant}
        parts |= {f"tank_mix ({item.product})": item.concentration for item in self.tank_mix}
        shown = {key: share for key, share in parts.items() if share}
        total = sum(shown.values())
        if total > 1 + _SHARE_SLACK:
            listed = " + ".join(f"{key} {share * 100:.6g} %" for key, share in shown.items())
            raise QuantityError(f"{listed} = {total * 100:.6g} % of the mix; together at most 100 %")

    @model_validator(mode="after")
    def _one_reach(self) -> Self:
        if self.throw_m is not None and self.delivery != "spot":
            raise QuantityError(f'throw with the method "{self.method}", which throws nothing; write reach')
        if self.throw_m is not None and self.reach_m is not None:
            raise QuantityError("throw and reach together; give one of them")
        return self

    @property
    def delivery(self) -> Delivery:
        """Delivery class of the method."""
        return DELIVERY[self.method]

    @property
    def counts_cuts(self) -> bool:
        """Whether the treatment says how many injection cuts a stem takes."""
        return self.cut_per_diameter_m is not None or self.cut_spacing_m is not None

    def suits(self, species: str, growth_form: str) -> bool:
        """Tell whether the treatment is for a species of a growth form (each key given must match)."""
        names = [name.casefold() for name in self.species]
        return (not names or species.casefold() in names) and (not self.growth_form or growth_form in self.growth_form)
