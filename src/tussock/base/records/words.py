"""In: nothing. Out: the words of the trade that files may use, what a record is, and how its texts are read."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

from tussock.base.errors import QuantityError

GrowthForm: TypeAlias = Literal["herbaceous", "vine", "shrub", "tree"]
Delivery: TypeAlias = Literal["broadcast", "spot", "hand", "none"]
Form: TypeAlias = Literal["salt", "amine", "ester", "acid"]
Carrier: TypeAlias = Literal["water", "oil"]
MethodName: TypeAlias = Literal[
    "boom",
    "foliar_spot",
    "low_volume_stream",
    "wick",
    "cut_stump",
    "stem_injection",
    "basal_bark",
    "pull",
    "dig",
    "cut",
    "mow",
]

#: Delivery class of each method, the class that published buffer tables use.
DELIVERY: dict[str, Delivery] = {
    "boom": "broadcast",
    "foliar_spot": "spot",
    "low_volume_stream": "spot",
    "wick": "hand",
    "cut_stump": "hand",
    "stem_injection": "hand",
    "basal_bark": "hand",
    "pull": "none",
    "dig": "none",
    "cut": "none",
    "mow": "none",
}
#: What is done on a patch that was found empty: walk it and look. No treatment, so no method of a file.
LOOK: Final = "look"
#: Methods whose amounts follow from stems and not from ground.
STEM_METHODS = frozenset({"cut_stump", "stem_injection", "basal_bark"})


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value if isinstance(value, tuple) else (value,)


def _lowered(value: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(item.casefold().strip() for item in value)


def _filled(value: str) -> str:
    if not value.strip():
        raise QuantityError("an empty text; it must say something")
    return value


Text = Annotated[str, AfterValidator(_filled)]
Words = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]
LowerWords = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple), AfterValidator(_lowered)]


def _as_kinds(value: Any) -> Any:
    """Return kinds as texts: a code such as 460 may be a number in a file."""
    return tuple(_as_kind(item) for item in _as_tuple(value))


def _as_kind(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _as_kind_pairs(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    pairs = {_as_kind(given): _as_kind(kind) for given, kind in value.items()}
    return {
        given.casefold().strip() if isinstance(given, str) else given: (
            kind.casefold().strip() if isinstance(kind, str) else kind
        )
        for given, kind in pairs.items()
    }


KindWords = Annotated[tuple[Text, ...], BeforeValidator(_as_kinds), AfterValidator(_lowered)]
KindPairs = Annotated[dict[Text, Text], BeforeValidator(_as_kind_pairs)]


class Record(BaseModel):
    """A frozen record that refuses unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, strict=False)
