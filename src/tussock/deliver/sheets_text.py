"""In: text from data. Out: the same text in letters that the page's font has, in the order in which the eye meets them.

The PDF library places letters from left to right as they come. Names in Hebrew or Arabic are therefore joined and
turned here, by the parts of the Unicode bidirectional algorithm (UAX 9) that a short name inside an English line needs:
vowel points are left out, and a line has no embedded directions.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Final

HasGlyph = Callable[[str], bool]

_FORMS: Final = ("isolated", "final", "initial", "medial")
_PRESENTATION: Final = (range(0xFB50, 0xFDD0), range(0xFE70, 0xFEFD))
_LAM: Final = "\u0644"
_TATWEEL: Final = "\u0640"
_MIRRORED: Final = str.maketrans("()[]{}<>«»", ")(][}{><»«")
_OPENING: Final = "([{"
_CLOSING: Final = ")]}"
_RIGHT: Final = ("R", "AL")
_NUMBER: Final = re.compile(r"\d+(?:[.,:/]\d+)*")


def clean_text(value: object, has_glyph: HasGlyph) -> str:
    """Return text that can be printed: one line, no control characters, no letter without a glyph.

    Parameters
    ----------
    value
        Anything; None and nan give an empty text.
    has_glyph
        Tells whether the font has a character.

    Returns
    -------
    str
        Letters that the font lacks come apart into their base letter where that helps, else are named by their code
        point, ``[U+8292]``: two names that differ still differ on paper.
    """
    if value is None or value != value:  # noqa: PLR0124  (nan is not itself)
        return ""
    text = unicodedata.normalize("NFC", str(value))
    text = " ".join("".join(_pass_character(item) for item in text).split())
    if not text.isascii():
        text = shape_arabic(text)
    return "".join(_find_letter(item, has_glyph) for item in text)


def _pass_character(character: str) -> str:
    """Return a character, a blank in place of a control character, nothing in place of an invisible format mark."""
    kind = unicodedata.category(character)
    if kind in ("Cc", "Zl", "Zp", "Zs"):
        return " "
    if kind == "Mn" and unicodedata.bidirectional(character) == "NSM" and 0x0590 <= ord(character) <= 0x08FF:  # noqa: PLR2004  (Hebrew and Arabic blocks)
        return ""
    return "" if kind in ("Cf", "Cs") else character


def _find_letter(character: str, has_glyph: HasGlyph) -> str:
    if character == " " or has_glyph(character):
        return character
    parts = [part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part)]
    if parts and character not in parts and all(has_glyph(part) for part in parts):
        return "".join(parts)
    if unicodedata.combining(character):
        return ""
    return f"[U+{ord(character):04X}]"


@lru_cache(maxsize=1)
def _joined_forms() -> dict[tuple[str, str], str]:
    """Return the joined form of Arabic letters, from the character database: (letters, form) -> character."""
    forms: dict[tuple[str, str], str] = {}
    for span in _PRESENTATION:
        for code in span:
            tag, *letters = unicodedata.decomposition(chr(code)).split() or [""]
            form, base = tag.strip("<>"), "".join(chr(int(letter, 16)) for letter in letters)
            if form in _FORMS and (len(base) == 1 or (len(base) == 2 and base[0] == _LAM)):  # noqa: PLR2004  (lam-alef)
                forms.setdefault((base, form), chr(code))
    return forms


def shape_arabic(text: str) -> str:
    """Join Arabic letters: each takes the form that its neighbours ask for, lam and alef become one sign."""
    if not any(unicodedata.bidirectional(item) == "AL" for item in text):
        return text
    forms = _joined_forms()
    letters = _take_letters(text, forms)
    shaped = []
    for place, letter in enumerate(letters):
        before = letters[place - 1] if place else ""
        after = letters[place + 1] if place + 1 < len(letters) else ""
        joins_before = _joins_on(before, forms) and ((letter, "final") in forms or letter == _TATWEEL)
        joins_after = _joins_on(letter, forms) and ((after, "final") in forms or after == _TATWEEL)
        form = _FORMS[joins_before + 2 * joins_after]
        shaped.append(forms.get((letter, form), forms.get((letter, "isolated"), letter)))
    return "".join(shaped)


def _take_letters(text: str, forms: dict[tuple[str, str], str]) -> list[str]:
    letters: list[str] = []
    for character in text:
        pair = letters[-1] + character if letters else ""
        if letters and letters[-1] == _LAM and (pair, "isolated") in forms:
            letters[-1] = pair
        else:
            letters.append(character)
    return letters


def _joins_on(letter: str, forms: dict[tuple[str, str], str]) -> bool:
    """Tell whether a letter reaches out to the next one."""
    return (letter, "initial") in forms or letter == _TATWEEL


def turn_line(text: str) -> str:
    """Return one line with its right-to-left words in the order of the page, from left to right.

    A span of right-to-left letters, with what stands between them and numbers that follow them, is turned as one;
    numbers inside keep their own order (UAX 9, rules W7, N0, N1, I1, L2 and L4 for a left-to-right line).
    """
    kinds = [unicodedata.bidirectional(item) for item in text]
    if not any(kind in _RIGHT for kind in kinds):
        return text
    turned, place = [], 0
    for first, last in _list_spans(text, kinds):
        turned += [text[place:first], _turn_span(text[first:last])]
        place = last
    return "".join([*turned, text[place:]])


def _list_spans(text: str, kinds: list[str]) -> Iterable[tuple[int, int]]:
    """Return first and one past the last place of each right-to-left span; a bracket opened in it is closed in it."""
    place = 0
    while place < len(kinds):
        if kinds[place] not in _RIGHT:
            place += 1
            continue
        first = last = place
        while place < len(kinds) and kinds[place] != "L":
            if kinds[place] in (*_RIGHT, "EN", "AN"):
                last = place
            place += 1
        span = text[first : last + 1]
        missing = sum(span.count(item) for item in _OPENING) - sum(span.count(item) for item in _CLOSING)
        while missing > 0 and last + 1 < len(text) and text[last + 1] in _CLOSING:
            last, missing = last + 1, missing - 1
        place = max(place, last + 1)
        yield first, last + 1


def _turn_span(text: str) -> str:
    mirrored = text.translate(_MIRRORED)
    return _NUMBER.sub(lambda match: match[0][::-1], mirrored[::-1]) if mirrored else ""
