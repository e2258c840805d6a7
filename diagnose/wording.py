"""Everyday English, without any trade: words and their stems, slips of the pen, sentences, clauses, hedges, negations."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from diagnose.source import complaint, nearest

LONGEST = 60  # words of a sentence; a longer one is read in pieces
OR = "or"
IF = "if"
AND = "and"  # half a border between clauses; and it may be part of an expression

_WORD = re.compile(r"\d+[.:]\d+|[a-z0-9]+(?:'[a-z]+)*|\n\s*\n|[.,;:!?\n()/&+]| [-–—] ")
_HARD = frozenset([*".;:!?", "\n\n"])
_SOFT = frozenset([*",()/&+-–—\n", AND, "but", "though", "although", "tho", "however", "also", "plus", "whereas"])
_TURNS = frozenset([("just", "the"), ("just", "not"), ("just", "my"), ("only", "the")])  # "it works, just the ..."
_MARKS = {
    "hedged": (("i", "think"), ("i", "guess"), ("i", "believe"), ("i", "suppose"), ("i", "suspect"), ("not", "sure"),
               ("not", "certain"), ("could", "be"), ("may", "be"), ("sort", "of"), ("unsure",), ("maybe",), ("perhaps",),
               ("possibly",), ("probably",), ("apparently",), ("might",), ("seem",), ("seems",), ("reckon",), ("reckons",)),
    "past": (("used", "to"), *((state, "before") for state in ("alright", "clear", "fine", "good", "great", "ok", "okay",
                                                               "perfect", "perfectly", "well", "worked", "working"))),
}
_MARK_WORDS = frozenset(sign[0] for signs in _MARKS.values() for sign in signs)
NEGATIONS = frozenset("""
    not no never without cannot nor neither none nothing nobody nowt aint arent cant couldent couldnt didint didnt doesent
    doesnot doesnt dont dosent dosnt hadnt hasnt havent havnt isint isnt wasnt werent wont wouldnt
""".split())  # noqa: SIM905 - a list of words reads better so
# Words that say nothing by themselves: they count only inside an expression.
SMALL = frozenset("""
    a able about actually after afternoon again ago already am an and any anything anyway are as at basically be because
    been before being bit bother bro by came can cheers come comes coming cos could day days dear did do does doing done
    during each either even evening ever everything find for found friday from get gets getting go goes going gone got
    gotten guys had has have having he hello her here heres hes hey hi him his honestly hour hours how i id if ill im in
    into is it its ive just keep keeps kept kind kinda know knows lads last let like literally longer look looking looks lot
    lots love made make makes making many mate may maybe me monday month months more morning most much must my need needs
    next now of oh ok okay ones onto or our pal please put puts quite rather really regards said saturday say saying says
    see seem seems she shes should since sir so some something soon sorry sunday ta tell tells than thank thanks that thats
    the their them then there theres these they theyre theyve thing things this those thought thursday till to today told
    tomorrow tonight too tried try trying tuesday until us use using very want wanted wants was way we wednesday week weeks
    well went were weve what whatever whats when where wherever which while who why will with would yeah yep yes yesterday
    yet you youd your youre youve
""".split())  # noqa: SIM905
# Words that say little: a phrase is whole without them.
SLIGHT = frozenset(["on", "off", "up", "down", "out", "over", "back", "through", "time", "still", "only"])


def proper_text(text: str) -> str:
    """What was typed, as text: bytes from a terminal that knew no UTF-8 are read as UTF-8, what is no text becomes a mark."""
    return whole_letters(text).encode("utf-8", "surrogateescape").decode("utf-8", "replace").strip()


def whole_letters(text: str) -> str:
    """The text with a mark for each half of a surrogate pair, which is no letter and names no file; the halves that stand for
    bytes which could not be read (U+DC80 to U+DCFF) are left."""
    return re.sub("[\ud800-\udc7f\udd00-\udfff]", "\ufffd", text)


class Sentence(NamedTuple):
    """A sentence. words: (word, clause), where clauses are counted in half borders; hedged, past: clauses that are so; asks:
    it ends with a question mark."""

    words: list[tuple[str, int]]
    hedged: frozenset[int]
    past: frozenset[int]
    asks: bool


def words_and_stops(text: str) -> list[str]:
    """Words and stops of a text, in small letters, without apostrophes; anything else is left out, and so is the negation of
    a condition: "flat if I do not drive" denies nothing."""
    text = text.lower().replace("’", "'").replace("‘", "'").replace("`", "'").replace("\r", "\n" if "\n" not in text else "")
    words = [word.replace("'", "") if word[0].isalnum() else "\n\n" if word[1:].endswith("\n") else word.strip(" ")
             for word in _WORD.findall(text)]
    return [word for at, word in enumerate(words) if word not in NEGATIONS or IF not in words[max(0, at - 2) : at]]


def words_of(phrase: str) -> list[str]:
    """The words of a phrase, without stops and words that part clauses."""
    return [word for word in words_and_stops(phrase) if word[0].isalnum() and (word == AND or word not in _SOFT)]


def sentences(text: str) -> Iterator[Sentence]:
    """The sentences of a text; one without stops is cut into pieces."""
    piece: list[str] = []
    for word in [*words_and_stops(text), "."]:
        if word in _HARD or len(piece) >= 2 * LONGEST or (len(piece) >= LONGEST and word in _SOFT):
            if piece:
                yield _sentence(_denied_last(piece), asks=word == "?")
            piece = []
        elif piece or word not in _SOFT:
            piece.append(word)


def _denied_list(words: Sequence[str]) -> list[str]:
    """"No this, that or the other" as "no this or that or the other"."""
    denied, joined = False, []
    for at, word in enumerate(words):
        if word == "," and denied and OR in words[at + 2 : at + 4]:
            to = words.index(OR, at)
            end = next((n for n in range(to + 1, len(words)) if words[n] in _SOFT), len(words))
            word = OR if end - to <= 3 and not _SOFT.intersection(words[at + 1 : to]) else word
        denied = word in NEGATIONS or (denied and word not in _SOFT)
        joined.append(word)
    return joined


def _sentence(words: Sequence[str], *, asks: bool) -> Sentence:
    words = _denied_list(words)
    placed: list[tuple[str, int]] = []
    marked: dict[str, set[int]] = {kind: set() for kind in _MARKS}
    clause = at = 0
    while at < len(words):
        word = words[at]
        mark = _mark(words, at) if word in _MARK_WORDS else None
        if mark:
            marked[mark[0]].add(clause)
            at += mark[1]
            continue
        at += 1
        if word == AND:
            placed.append((word, clause))
            clause += 1
        elif word == "\n":  # half a border too: the line may just be full
            clause += 1
        elif word in _SOFT:
            clause += 2
        else:
            clause += 2 * ((word, *words[at : at + 1]) in _TURNS)
            placed.append((word, clause))
    spoken = sorted({clause for word, clause in placed if word not in SMALL and word not in NEGATIONS})
    for lone in marked["hedged"].difference(spoken):  # "maybe it's me, but ..." and "..., I think" hedge what is beside them
        marked["hedged"] |= {*[c for c in spoken if c < lone][-1:], *[c for c in spoken if c > lone][:1]}
    return Sentence(placed, frozenset(marked["hedged"]), frozenset(marked["past"]), asks)


def _mark(words: Sequence[str], at: int) -> tuple[str, int] | None:
    """What the words from here on make of their clause, and how many words do so."""
    return next(((kind, len(sign)) for kind, signs in _MARKS.items() for sign in signs
                 if tuple(words[at : at + len(sign)]) == sign), None)


def _denied_last(words: Sequence[str]) -> Sequence[str]:
    """"Cannot get this or that to work" as "this or that not work"."""
    for at in range(len(words) - 3):
        if words[at] in NEGATIONS and words[at + 1] == "get" and "to" in words[at + 3 : at + 10]:
            to = words.index("to", at + 3)
            return [*words[:at], *words[at + 2 : to], "not", *words[to + 1 :]]
    return words


@lru_cache(maxsize=8192)
def stem(word: str) -> str:
    """The word without its ending, alike for the regular forms of a verb, a noun or an adjective.

    >>> [stem(word) for word in ("stopped", "stopping", "berries", "berry", "movies", "bring")]
    ['stop', 'stop', 'ber', 'ber', 'movi', 'bring']
    """
    for ending in ("ings", "ing", "ies", "ied", "es", "ed", "s"):
        rest = word.removesuffix(ending)
        if rest != word and not word.endswith(("ss", "us", "is", "eed")) and any(vowel in rest for vowel in "aeiouy") and (
                len(rest) >= (4 if ending == "ies" else 2 if rest[-1] == "o" else 3)):
            word = rest
            break
    if len(word) > 3 and word[-1] in "ey":
        word = word[:-1]
    return word[:-1] if len(word) > 3 and word[-1] == word[-2] else word


def one_slip(one: str, other: str) -> bool:
    """Whether a letter was left out, added, mistaken or exchanged with its neighbour.

    >>> one_slip("ketle", "kettle"), one_slip("kettel", "kettle"), one_slip("kettle", "cattle"), one_slip("table", "tale")
    (True, True, False, True)
    """
    if abs(len(one) - len(other)) > 1:
        return False
    start = next((at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    one, other = one[start:], other[start:]
    while one and other and one[-1] == other[-1]:
        one, other = one[:-1], other[:-1]
    return max(len(one), len(other)) <= 1 or (len(one) == 2 and one == other[::-1])


def the_one_named(text: str, titles: Mapping[str, str], *, what: str, key: str = "") -> str:
    """The id meant, of ids with their titles: by itself, by its beginning or a piece of the title, else by the beginnings of
    words of both. InputError, which calls it ``what``, if none or several fit."""
    plain = text.strip().lower()
    name, words = plain.replace(" ", "_"), plain.replace("_", " ").split()
    if name in titles:
        return name
    fits = [one for one, title in titles.items() if plain and (one.startswith(name) or plain in title.lower())]
    if not fits and words:
        held = {one: f"{one.replace('_', ' ')} {title.lower()}".split() for one, title in titles.items()}
        fits = [one for one, of_it in held.items() if all(any(w.startswith(begins) for w in of_it) for begins in words)]
    if not fits:
        raise complaint(f"there is no {what} {text[:60]!r}", nearest(name, titles), key=key)
    if len(fits) > 1:
        others = f" or {len(fits) - 4} others" if len(fits) > 4 else ""
        raise complaint(f"{text[:60]!r} may mean {', '.join(fits[:4])}{others}", "say which", key=key)
    return fits[0]
