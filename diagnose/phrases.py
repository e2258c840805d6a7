"""A customer's words -> findings.

Every finding carries phrases that people use. Words and expressions that stand for the same thing count as one (a concept);
endings and slips of the pen are overlooked, and rare concepts weigh more. A phrase is looked for in a short stretch of one
sentence, its words in any order. It is taken when all its words are there, little stands between them, nothing contradicts
it and no other finding fits as well; what comes close is asked about. The best hit wins its stretch of text, and a second
finding needs words of its own. A negation in front of a hit turns it into the normal level.
"""

from __future__ import annotations

import contextlib
import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from diagnose import source
from diagnose.records import CHECK, REPORT, Knowledge
from diagnose.wording import NEGATIONS, OR, SLIGHT, SMALL, Sentence, one_slip, sentences, stem, words_of

ASK = 0.58  # share of a phrase's weight, and score, from which on it is worth asking about
ACCEPT = 0.78  # score from which on a whole phrase is taken
ACCEPT_SHORT = 0.85  # the same for what is no report: such phrases are short
ACCEPT_SINGLE = 0.95  # the same for a single word or expression
LEAST = 2.0  # weight of words below which a short phrase is not even asked about
LEAST_SINGLE = 3.0  # weight below which a single word is only ever asked about, unless it is all that is said
FULLER = 0.85  # a hit that says the same as the best one and more goes before it, if it is worth this share
NEAR = 0.93  # another finding worth this share of the best hit makes it doubtful
PARTIAL = 0.9  # what a phrase with a word missing is worth beside a whole one
ASIDE = 0.85  # what a check or a circumstance is worth beside a report
FRESH = 0.75  # share of its weight for which a hit needs words of its own
ODD = 0.015  # taken from the score per weight of the words between
BORDER = 0.18  # taken from the score per half border of clauses crossed ("and" is half a border), by the words of the phrase
OPPOSED = 0.3  # taken from the score when words of the opposite stand by, or when what tells the two apart is missing
REFUSED = 0.45  # taken from the score when the negation does not fit
SLIP = 0.9  # likeness of a word with one slip, or with an ending that the stem keeps
RARE, COMMON = 5.0, 0.25  # weight of a word that one finding uses, and about that of a word that all use
UNKNOWN = 2.5  # weight of a word that no phrase uses
LITTLE = 1.0  # the most that one of the slight words weighs
PLACES = 6  # places of a phrase in one sentence that are looked at


class Match(NamedTuple):
    """A finding read out of the text. words: the stretch it was read from. score: 0..1. sure: False when hedged."""

    finding: str
    level: str
    words: str
    score: float
    sure: bool


class Doubt(NamedTuple):
    """A stretch of text that may mean one of several findings: (finding, level, score), best first."""

    words: str
    candidates: tuple[tuple[str, str, float], ...]


class Understood(NamedTuple):
    """What a text says: matches, doubts to be asked about, and the words of the clauses in which nothing was read."""

    matches: tuple[Match, ...]
    doubts: tuple[Doubt, ...]
    left_over: tuple[str, ...]


class Phrase(NamedTuple):
    """A phrase of the lexicon: its finding and level, its concepts (numbers), whether it carries a negation. closed: written
    with a full stop, so that beside other words it is only asked about."""

    finding: str
    level: str
    concepts: tuple[int, ...]
    negated: bool
    closed: bool


class Lexicon(NamedTuple):
    """All phrases of a network. words: word or stem -> concept; expressions: first key -> [(further keys, concept)], the
    longest first, where a key is the number of a word's group or else its stem; groups: how many concepts are groups of
    words; weights: per concept; normal: level 0 by finding; kinds: of findings; against: finding -> concepts that only its
    abnormal phrases use, and those that only its normal ones use; uses: concept -> places of its phrases; initials: first
    letter -> longer words with their concepts."""

    words: dict[str, int]
    expressions: dict[str, list[tuple[tuple[str, ...], int]]]
    groups: int
    weights: list[float]
    phrases: list[Phrase]
    normal: dict[str, str]
    kinds: dict[str, str]
    against: dict[str, tuple[frozenset[int], frozenset[int]]]
    uses: dict[int, list[int]]
    initials: dict[str, list[tuple[str, int]]]


class _Token(NamedTuple):
    """A word or expression of the text. concepts: number -> likeness (empty: none); clause: its place among the clauses of
    the sentence, in half borders; negation, small: kinds of word that weigh nothing."""

    word: str
    concepts: dict[int, float]
    clause: int
    negation: bool
    small: bool


class _Hit(NamedTuple):
    """A phrase found. value: what hits are ranked by; whole: all words of the phrase are there; single: it is one word or
    expression; alone: the sentence says nothing else; closed: the phrase wants that; hedged: the customer is not sure;
    words: the stretch; sentence: its number; places: of its words in the sentence; weights: of those words."""

    finding: str
    level: str
    score: float
    value: float
    whole: bool
    single: bool
    alone: bool
    closed: bool
    hedged: bool
    words: str
    sentence: int
    places: tuple[int, ...]
    weights: tuple[float, ...]


# --- the lexicon -------------------------------------------------------------------------------------------------------


def build_lexicon(knowledge: Knowledge) -> Lexicon:
    """The lexicon of a network's reports, circumstances and those checks that carry phrases."""
    words: dict[str, int] = {}
    expressions: dict[str, list[tuple[tuple[str, ...], int]]] = {}
    groups = [[words_of(member) for member in group] for group in knowledge.header.same_words]
    for number, group in enumerate(groups):
        words |= {member[0]: number for member in group if len(member) == 1 and member[0] not in words}
    for word, number in list(words.items()):
        if stem(word) not in SMALL:
            words.setdefault(stem(word), number)
    for number, group in enumerate(groups):
        for first, *rest in (member for member in group if len(member) > 1):
            expressions.setdefault(_key(words, first), []).append((tuple(_key(words, word) for word in rest), number))
    for rows in expressions.values():
        rows.sort(key=lambda row: (-len(row[0]), row))
    findings = knowledge.findings.values()
    lexicon = Lexicon(words, expressions, len(groups), [], [], {f.id: f.levels[0] for f in findings},
                      {f.id: f.kind for f in findings}, {}, {}, {})
    numbers: dict[str, int] = {}
    phrases = []
    for finding in findings:
        for level, text in finding.phrases:
            tokens = _tokens(lexicon, [(word, 0) for word in words_of(text)], slips=False)
            content = [t for t in tokens if not t.small and not t.negation]
            concepts = [next(iter(t.concepts), -1) for t in content]
            for place, token in enumerate(content):
                if concepts[place] < 0:
                    concepts[place] = numbers.setdefault(stem(token.word), len(groups) + len(numbers))
                    words |= {form: concepts[place] for form in (token.word, stem(token.word)) if form not in SMALL}
            if not content and len(tokens) > 1:  # small words only: they count as they stand
                concepts = [numbers.setdefault(text, len(groups) + len(numbers))]
                first, *rest = [_key(words, t.word) for t in tokens]
                expressions.setdefault(first, []).insert(0, (tuple(rest), concepts[0]))
            if concepts:
                negated = any(t.negation for t in tokens)
                phrases.append(Phrase(finding.id, level, tuple(dict.fromkeys(concepts)), negated, text.rstrip().endswith(".")))
    return _weighed(lexicon, phrases, len(groups) + len(numbers))


def _weighed(lexicon: Lexicon, phrases: list[Phrase], concepts: int) -> Lexicon:
    """The lexicon with its phrases and what follows from them."""
    seen: list[set[str]] = [set() for _ in range(concepts)]
    sides: dict[str, tuple[set[int], set[int], set[int]]] = {}  # words of trouble, of all well, and denied in trouble
    for phrase in phrases:
        well = phrase.level == lexicon.normal[phrase.finding]
        side = 2 if phrase.negated and not well else int(well and not phrase.negated)
        sides.setdefault(phrase.finding, (set(), set(), set()))[side].update(phrase.concepts)
        for number in phrase.concepts:
            seen[number].add(phrase.finding)
    scale = (RARE - COMMON) / math.log((len(sides) + 1) / 1.5)
    weights = [COMMON + scale * math.log((len(sides) + 1) / (len(ids) + 0.5)) if ids else UNKNOWN for ids in seen]
    for number in (lexicon.words[word] for word in sorted(SLIGHT) if word in lexicon.words):
        weights[number] = min(LITTLE, weights[number]) if number >= lexicon.groups else weights[number]
    against = {finding: (frozenset(wrong - right), frozenset(right - wrong - denied))
               for finding, (wrong, right, denied) in sides.items()}
    return _indexed(lexicon._replace(weights=weights, phrases=phrases, against=against))


def _indexed(lexicon: Lexicon) -> Lexicon:
    """The lexicon with its indexes."""
    for place, phrase in enumerate(lexicon.phrases):
        for number in phrase.concepts:
            lexicon.uses.setdefault(number, []).append(place)
    for word, number in lexicon.words.items():
        if len(word) >= 5:
            lexicon.initials.setdefault(word[0], []).append((word, number))
    return lexicon


def open_lexicon(name: str, key: str, knowledge: Knowledge) -> Lexicon:
    """The lexicon from the compiled copy if it is up to date, else built; see source.read_copy."""
    from pathlib import Path

    code = [Path(__file__), Path(__file__).with_name("wording.py")]
    key = source.fingerprint([path for path in code if path.is_file()], key)
    data = source.read_copy(f"{name}-words", key)
    if data is not None:
        with contextlib.suppress(AttributeError, IndexError, KeyError, TypeError, ValueError):  # of another shape: built anew
            return _unpacked(data)
    lexicon = build_lexicon(knowledge)
    against = {finding: [sorted(side) for side in sides] for finding, sides in lexicon.against.items()}
    source.write_copy(f"{name}-words", key, [*lexicon[:-3], against])
    return lexicon


def _unpacked(data: list[Any]) -> Lexicon:
    words, expressions, groups, weights, phrases, normal, kinds, against = data
    return _indexed(Lexicon(
        words, {first: [(tuple(rest), number) for rest, number in rows] for first, rows in expressions.items()}, groups,
        weights, [Phrase(finding, level, tuple(concepts), *marks) for finding, level, concepts, *marks in phrases], normal,
        kinds, {finding: (frozenset(wrong), frozenset(right)) for finding, (wrong, right) in against.items()}, {}, {}))


# --- words -> tokens -----------------------------------------------------------------------------------------------------


def _key(words: dict[str, int], word: str) -> str:
    """What a word counts as inside an expression."""
    if word in NEGATIONS:
        return "nothing" if word == "nothing" else "not"
    number = words.get(word, -1 if word in SMALL else words.get(stem(word), -1))
    return stem(word) if number < 0 else str(number)


def _tokens(lexicon: Lexicon, placed: Sequence[tuple[str, int]], *, slips: bool = True) -> list[_Token]:
    """Words with their clauses -> tokens; an expression becomes one token."""
    single = [_token(lexicon, word, clause, slips) for word, clause in placed]
    best = [max(t.concepts, key=lambda c: (t.concepts[c], -c), default=lexicon.groups) for t in single]
    keys = [_key({}, t.word) if n >= lexicon.groups else str(n) for n, t in zip(best, single, strict=True)]
    tokens: list[_Token] = []
    at = 0
    while at < len(single):
        length, number = _expression(lexicon, single, keys, at)
        if length:
            words = " ".join(t.word for t in single[at : at + length])
            tokens.append(_Token(words, {number: 1.0}, single[at].clause, False, False))
        else:
            tokens.append(single[at])
        at += length or 1
    return tokens


def _token(lexicon: Lexicon, word: str, clause: int, slips: bool) -> _Token:
    if word in NEGATIONS:
        return _Token(word, {}, clause, True, False)
    found = lexicon.words.get(word, -1)
    small = found < 0 and (word in SMALL or word[0].isdigit())
    if found < 0 and not small:
        found = lexicon.words.get(stem(word), -1)
    if found < 0:
        return _Token(word, _near(lexicon, word) if slips and not small else {}, clause, False, small)
    concepts = {lexicon.words.get(stem(word), found): SLIP} if slips else {}  # a form with a group of its own
    return _Token(word, concepts | {found: 1.0}, clause, False, False)


def _expression(lexicon: Lexicon, tokens: Sequence[_Token], keys: Sequence[str], start: int) -> tuple[int, int]:
    """Length in words and number of the longest expression that begins here, small words between overlooked; else (0, -1)."""
    most = 2 if keys[start] == "not" else 1
    for rest, number in lexicon.expressions.get(keys[start], ()):
        at, skipped = start + 1, 0
        for key in rest:
            while at < len(tokens) and keys[at] != key and tokens[at].small and skipped < most:
                at += 1
                skipped += 1
            if at >= len(tokens) or keys[at] != key or tokens[at].clause > tokens[start].clause + 1:
                break
            at += 1
        else:
            return at - start, number
    return 0, -1


def _near(lexicon: Lexicon, word: str) -> dict[int, float]:
    """Concepts of the known words that are one slip away, or another form of the word that the stem does not cover."""
    own = stem(word)
    return {number: SLIP for other, number in lexicon.initials.get(word[0], ())
            if len(word) >= 5 and abs(len(other) - len(word)) <= 4
            and (one_slip(word, other) or (len(own) >= 5 and (other.startswith(own) or own.startswith(other))))}


# --- tokens -> hits -> findings ----------------------------------------------------------------------------------------


def understand(lexicon: Lexicon, text: str) -> Understood:
    """Findings in a text: taken ones, doubtful ones, and the words that nothing used."""
    read = [(sentence, _tokens(lexicon, sentence.words)) for sentence in sentences(text)]
    by_sentence = [list(_hits(lexicon, sentence, tokens, number)) for number, (sentence, tokens) in enumerate(read)]
    used: set[tuple[int, int]] = set()
    taken: dict[str, str] = {}
    matches: list[Match] = []
    doubts: list[Doubt] = []
    for hit in sorted((hit for hits in by_sentence for hit in hits), key=_rank):
        if taken.get(hit.finding) == hit.level and hit.score >= ACCEPT:  # the same thing said twice
            used.update((hit.sentence, place) for place in _span(hit.places))
        if hit.finding in taken or not _fresh(hit, used):
            continue
        others = sorted((h for h in by_sentence[hit.sentence] if h.finding not in taken and _fresh(h, used)), key=_rank)
        fuller = [h for h in others if _within(hit, h) and h.value >= FULLER * hit.value and _clear(lexicon, h)
                  and (lexicon.kinds[h.finding] == REPORT or lexicon.kinds[hit.finding] != REPORT)]
        hit = fuller[0] if fuller else hit
        rivals = [h for h in others if h.finding != hit.finding and 2 * len({*h.places} & {*hit.places}) >= len(hit.places)]
        near = [h for h in rivals if h.value >= NEAR * hit.value and not _within(h, hit)]
        span = [(hit.sentence, place) for place in _span(hit.places)]
        if not near and _clear(lexicon, hit):
            matches.append(Match(hit.finding, hit.level, hit.words, round(hit.score, 3), not hit.hedged))
            taken[hit.finding] = hit.level
        elif _worth_asking(lexicon, hit):
            best: dict[str, tuple[str, str, float]] = {}
            for other in [hit, *(near or rivals[:2])]:
                best.setdefault(other.finding, (other.finding, other.level, round(other.score, 3)))
            doubts.append(Doubt(hit.words, tuple(best.values())[:4]))
            taken.update(dict.fromkeys(list(best)[:4], ""))
        else:
            continue
        used.update(span)
    return Understood(tuple(matches), tuple(doubts), tuple(_left_over([tokens for _, tokens in read], used)))


def _rank(hit: _Hit) -> tuple[float, str, str, str, bool, tuple[int, ...], int]:
    return -hit.value, hit.finding, hit.level, hit.words, hit.hedged, hit.places, hit.sentence


def _within(hit: _Hit, other: _Hit) -> bool:
    """Whether the other hit says the same and more: it uses most words of this one and reaches further."""
    inside = other.places[0] <= hit.places[0] and hit.places[-1] <= other.places[-1] and len(other.places) > len(hit.places)
    return inside and 2 * len({*hit.places} & {*other.places}) >= len(hit.places)


def _clear(lexicon: Lexicon, hit: _Hit) -> bool:
    """Whether a hit may be taken."""
    if hit.closed and not hit.alone:
        return False
    if hit.single:
        return hit.whole and hit.score >= ACCEPT_SINGLE and (hit.alone or sum(hit.weights) >= LEAST_SINGLE)
    return hit.whole and hit.score >= (ACCEPT if lexicon.kinds[hit.finding] == REPORT else ACCEPT_SHORT)


def _worth_asking(lexicon: Lexicon, hit: _Hit) -> bool:
    """Whether a hit that cannot be taken is more than a stray word."""
    short = lexicon.kinds[hit.finding] != REPORT or hit.single
    return not short or (sum(hit.weights) >= LEAST and hit.score >= ACCEPT_SHORT)


def _span(places: Sequence[int]) -> range:
    return range(min(places), max(places) + 1)


def _fresh(hit: _Hit, used: set[tuple[int, int]]) -> bool:
    """Whether most of a hit's weight stands on words that nothing taken uses."""
    fresh = sum(weight for place, weight in zip(hit.places, hit.weights, strict=True) if (hit.sentence, place) not in used)
    return fresh >= FRESH * sum(hit.weights)


def _weight(lexicon: Lexicon, token: _Token) -> float:
    """Weight of a token; a word that the lexicon lacks counts like a middling one."""
    if token.small or token.negation:
        return 0.0
    return max((lexicon.weights[number] for number in token.concepts), default=LITTLE if token.word in SLIGHT else UNKNOWN)


def _hits(lexicon: Lexicon, sentence: Sentence, tokens: Sequence[_Token], number: int) -> Iterable[_Hit]:
    """For each finding, level and clause the best place of any phrase that a stretch of the sentence covers well enough."""
    where: dict[int, list[tuple[int, float]]] = {}
    for place, token in enumerate(tokens):
        if token.clause not in sentence.past:
            for concept, likeness in token.concepts.items():
                where.setdefault(concept, []).append((place, likeness))
    said = {place for place, token in enumerate(tokens) if not token.small and not token.negation}
    present: dict[int, float] = {}
    for concept in where:
        for place in lexicon.uses.get(concept, ()):
            present[place] = present.get(place, 0.0) + lexicon.weights[concept]
    best: dict[tuple[str, str, int], _Hit] = {}
    for place, weight in present.items():
        phrase = lexicon.phrases[place]
        total = sum(lexicon.weights[c] for c in phrase.concepts)
        if weight < ASK * total or (sentence.asks and lexicon.kinds[phrase.finding] != REPORT):
            continue
        for places, covered in _places(lexicon, phrase, where, ASK * total):
            level, score, whole, places = _scored(lexicon, tokens, phrase, places, covered / total)
            value = score * math.sqrt(covered) * (1.0 if lexicon.kinds[phrase.finding] == REPORT else ASIDE)
            value *= 1.0 if whole else PARTIAL
            key = (phrase.finding, level, tokens[places[0]].clause)
            if score >= ASK and (key not in best or (value, best[key].places) > (best[key].value, places)):
                content = [p for p in places if not tokens[p].negation]
                hedged = any(tokens[p].clause in sentence.hedged for p in places)
                words = " ".join(tokens[p].word for p in _span(places))
                alone, weights = said <= {*places}, tuple(_weight(lexicon, tokens[p]) for p in places)
                best[key] = _Hit(phrase.finding, level, score, value, whole, len(content) == 1, alone, phrase.closed, hedged,
                                 words, number, places, weights)
    return best.values()


def _places(lexicon: Lexicon, phrase: Phrase, where: dict[int, list[tuple[int, float]]],
            least: float) -> list[tuple[tuple[int, ...], float]]:
    """The phrase laid over the sentence from each of its words on: places and weight, the heaviest and closest first."""
    laid: dict[tuple[int, ...], float] = {}
    reach = 3 * len(phrase.concepts) + 6
    found = [(lexicon.weights[concept], where[concept]) for concept in phrase.concepts if concept in where]
    for start in {place for _, options in found for place, _ in options}:
        places, weight = set(), 0.0
        for full, options in found:
            first = bisect_left(options, (start, 0.0))
            if first < len(options) and options[first][0] < start + reach:
                places.add(options[first][0])
                weight += full * options[first][1]
        if weight >= least:
            laid[tuple(sorted(places))] = weight
    return sorted(laid.items(), key=lambda item: (-item[1], item[0][-1] - item[0][0], item[0]))[:PLACES]


def _scored(lexicon: Lexicon, tokens: Sequence[_Token], phrase: Phrase, places: tuple[int, ...],
            cover: float) -> tuple[str, float, bool, tuple[int, ...]]:
    """What a phrase at these places says: level, score, whether it is whole, and the places with the negation's."""
    span = _span(places)
    normal = lexicon.normal[phrase.finding]
    well = phrase.level == normal
    there = {c for p in places for c in tokens[p].concepts}
    weighty = [c for c in phrase.concepts if lexicon.weights[c] > LITTLE]
    whole = there.issuperset(weighty if len(weighty) > 1 else phrase.concepts)
    between = [p for p in span if p not in places]
    odd = sum(_weight(lexicon, tokens[p]) for p in between)
    borders = tokens[places[-1]].clause - tokens[places[0]].clause
    score = cover - (ODD * odd + BORDER * borders / len(phrase.concepts)) * (3 if well else 1)
    against, needed = lexicon.against[phrase.finding] if well else lexicon.against[phrase.finding][::-1]
    if not phrase.negated and not needed.isdisjoint(phrase.concepts) and needed.isdisjoint(there):
        score -= OPPOSED  # what tells the phrase from its opposite is not there
    after = next((p for p in range(span.stop, len(tokens)) if not tokens[p].small), span.stop)
    if after < len(tokens) and tokens[after].clause == tokens[places[-1]].clause:
        between.append(after)
    if any(c in against for p in between for c in tokens[p].concepts):
        score -= OPPOSED  # "keeps forgetting its stations" is not "keeps its stations"
    near = [p for p in range(max(0, span.start - 4), span.stop) if tokens[p].negation
            and any(tokens[p].clause == tokens[q].clause for q in places)
            and sum(not tokens[q].small and tokens[q + 1].word != OR for q in range(p + 1, span.start)) < len(places)]
    if phrase.negated != bool(near) and (phrase.negated or well or borders):  # also "it smells, no smoke": a part is denied
        score -= REFUSED
    level = phrase.level
    if near and not phrase.negated:
        level, score = normal, score - 0.02  # a phrase that has the negation itself goes before
    beside = [t for t in tokens if t.clause == tokens[places[-1]].clause and there.isdisjoint(t.concepts)]
    if level == normal and sum(_weight(lexicon, t) for t in beside) > sum(_weight(lexicon, tokens[p]) for p in places):
        score -= OPPOSED  # an all-clear is a short clause
    return level, score, whole, tuple(sorted({*places, *near[-1:]}))


def _left_over(read: Sequence[Sequence[_Token]], used: set[tuple[int, int]]) -> Iterator[str]:
    """The words, small and slight ones aside, of the clauses in which nothing was read."""
    done = {(number, read[number][place].clause) for number, place in used}
    for number, tokens in enumerate(read):
        clauses: dict[int, list[str]] = {}
        for token in tokens:
            if not token.small and not token.negation and token.word not in SLIGHT and (number, token.clause) not in done:
                clauses.setdefault(token.clause, []).append(token.word)
        yield from map(" ".join, clauses.values())


def search(knowledge: Knowledge, words: str, *, most: int = 12) -> list[tuple[str, float]]:
    """Findings for a few words, best first: (id, score 0..100), by id, title, question and phrases."""
    from rapidfuzz import fuzz, process, utils

    texts: list[str] = []
    owners: list[str] = []
    for finding in knowledge.findings.values():
        for text in (finding.id.replace("_", " "), finding.title, finding.ask, *(p for _, p in finding.phrases)):
            texts.append(text)
            owners.append(finding.id)
    best: dict[str, float] = {}
    for text, score, at in process.extract(words, texts, scorer=fuzz.token_set_ratio, processor=utils.default_process,
                                           score_cutoff=50.0, limit=None):
        score -= 3.0 if knowledge.findings[owners[at]].kind == CHECK else 0.0
        score -= 0.1 * (100.0 - fuzz.token_sort_ratio(words, text, processor=utils.default_process))  # short texts first
        best[owners[at]] = max(best.get(owners[at], 0.0), score)
    return sorted(best.items(), key=lambda item: (-item[1], item[0]))[:most]


def as_plain(understood: Understood) -> dict[str, Any]:
    """For JSON."""
    return {
        "matches": [m._asdict() for m in understood.matches],
        "doubts": [{"words": d.words, "candidates": [{"finding": f, "level": x, "score": s} for f, x, s in d.candidates]}
                   for d in understood.doubts],
        "not_understood": list(understood.left_over),
    }
