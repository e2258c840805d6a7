"""A customer's words -> findings.

Every finding carries phrases that people use. A phrase is a bag of weighted stems (rare words weigh more); it is looked
for in short windows of the text, words compared by stem or, for slips of the pen, by edit similarity. As a second chance
each clause is held against all the words that a finding's phrases use. The best hit wins its stretch of text; a second
finding needs words of its own. A negation beside a match turns it into the normal level.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from diagnose import source
from diagnose.records import CHECK, Knowledge

ACCEPT = 0.76  # a phrase matched this far is taken
ACCEPT_ALONE = 0.64  # this far will do when nothing else comes near
ASK = 0.55  # from here on it is worth asking
ENOUGH = 5.0  # weight of words that carries a clause on its own
LEAST = 3.3  # weight of words below which a hit is only ever asked about
SPELLING = 84.0  # similarity in per cent from which two words count as one with a slip
NOT = "not"

_WORD = re.compile(r"[a-z0-9]+(?:'[a-z]+)?|[.,;:!?\n]")
_HARD = frozenset(".;:!?\n")
_SOFT = frozenset([",", "and", "but", "though", "however", "also", "plus"])
_NEGATIONS = frozenset(["not", "no", "never", "without", "cannot", "nor", "neither", "isnt", "doesnt", "dont", "wont",
                        "cant", "didnt", "hasnt", "arent", "wasnt", "couldnt", "wouldnt", "havent"])
_HEDGES = (("i", "think"), ("not", "sure"), ("not", "certain"), ("maybe",), ("perhaps",), ("possibly",), ("might",),
           ("seems",), ("could", "be"), ("i", "guess"), ("i", "believe"), ("sort", "of"))
_SMALL = frozenset("""
    a an the my your our his her their its it's i we you he she they it this that these those there here of to for in at
    with from by as into is was were are be been being am has have had having do does did doing done just very really
    quite rather so too than then if when who which what how why because since after before while until about get gets got
    getting will would can could should may shall let please hello hi thanks thank dear yes well ok okay us me him them
    some any bit keep keeps goes go went going make makes made comes come came im ive youve theyve thats whats now still
    even or and but also plus though however new car vehicle van since put yesterday today morning week gone got see says
    say tell looks look seems seem
""".split())  # noqa: SIM905 - a list of words reads better so
_KEPT = frozenset(["now", "keep", "keeps", "goes", "comes", "come", "any", "still", "new", "morning", "while", "after", "gone"])


class Token(NamedTuple):
    """A word of the text: as written (lower case), its stem number in the lexicon (-1: none), its clause, its place."""

    word: str
    stems: dict[int, float]
    clause: int
    negation: bool
    small: bool


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
    """What a text says: matches, doubts to be asked about, and the words left over."""

    matches: tuple[Match, ...]
    doubts: tuple[Doubt, ...]
    left_over: tuple[str, ...]


class Phrase(NamedTuple):
    """A phrase of the lexicon: its finding and level, its stems (numbers), whether it carries a negation."""

    finding: str
    level: str
    stems: tuple[int, ...]
    negated: bool


class Bag(NamedTuple):
    """All words of one finding's phrases at one level. stems: number -> how typical (0..1); negated: share of phrases
    that carry a negation."""

    finding: str
    level: str
    stems: dict[int, float]
    negated: float


class Lexicon(NamedTuple):
    """All phrases of a network. words: word as written -> stem number; weights: per stem; normal: level 0 by finding;
    same: word -> the one that stands for it; checks: findings that are checks (reports go before them); against: finding ->
    stems of its abnormal phrases that its normal ones never use."""

    words: dict[str, int]
    weights: list[float]
    phrases: list[Phrase]
    bags: list[Bag]
    normal: dict[str, str]
    same: dict[str, str]
    checks: list[str]
    against: dict[str, list[int]]


class _Hit(NamedTuple):
    finding: str
    level: str
    score: float
    value: float
    weight: float
    places: tuple[int, ...]


def build_lexicon(knowledge: Knowledge) -> Lexicon:
    """The lexicon of a network's reports, circumstances and those checks that carry phrases."""
    from snowballstemmer.english_stemmer import EnglishStemmer

    stemmer = EnglishStemmer()
    same = {word: group[0] for group in knowledge.header.same_words for word in group}
    rows: list[tuple[str, str, list[str], bool]] = []
    for finding in knowledge.findings.values():
        for level, text in finding.phrases:
            words, negated = _phrase_words(text, same)
            if words:
                rows.append((finding.id, level, words, negated))
    stem_of: dict[str, int] = {}
    numbers: dict[str, int] = {}
    for _, _, row, _ in rows:
        for word in row:
            numbers[word] = stem_of.setdefault(stemmer.stemWord(word), len(stem_of))
    for word, first in same.items():
        if first in numbers:
            numbers.setdefault(word, numbers[first])
    seen: list[set[str]] = [set() for _ in stem_of]
    for finding_id, _, row, _ in rows:
        for word in row:
            seen[numbers[word]].add(finding_id)
    total = len({finding for finding, *_ in rows}) or 1
    weights = [0.25 + math.log((total + 1) / (len(ids) + 0.5)) for ids in seen]
    phrases = [Phrase(finding, level, tuple(dict.fromkeys(numbers[w] for w in row)), negated)
               for finding, level, row, negated in rows]
    normal = {f.id: f.levels[0] for f in knowledge.findings.values()}
    stems: dict[tuple[str, bool], set[int]] = {}
    for phrase in phrases:
        stems.setdefault((phrase.finding, phrase.level == normal[phrase.finding]), set()).update(phrase.stems)
    against = {finding: sorted(stems.get((finding, False), set()) - stems.get((finding, True), set())) for finding in normal}
    return Lexicon(numbers, weights, phrases, _bags(phrases), normal, same,
                   [f.id for f in knowledge.findings.values() if f.kind == CHECK], against)


def _bags(phrases: Sequence[Phrase]) -> list[Bag]:
    groups: dict[tuple[str, str], list[Phrase]] = {}
    for phrase in phrases:
        groups.setdefault((phrase.finding, phrase.level), []).append(phrase)
    bags = []
    for (finding, level), members in groups.items():
        counts: dict[int, int] = {}
        for phrase in members:
            for stem in phrase.stems:
                counts[stem] = counts.get(stem, 0) + 1
        if len(members) >= 4:
            bags.append(Bag(finding, level, {stem: min(1.0, 0.6 + 0.2 * n) for stem, n in counts.items()},
                            sum(p.negated for p in members) / len(members)))
    return bags


def open_lexicon(name: str, key: str, knowledge: Knowledge) -> Lexicon:
    """The lexicon from the compiled copy if it is up to date, else built; see source.read_copy."""
    from pathlib import Path

    key = source.fingerprint([Path(__file__)] if Path(__file__).is_file() else [], key)
    data = source.read_copy(f"{name}-words", key)
    if data is None:
        lexicon = build_lexicon(knowledge)
        source.write_copy(f"{name}-words", key, list(lexicon))
        return lexicon
    words, weights, phrases, bags, normal, same, checks, against = data
    return Lexicon(words, weights, [Phrase(p[0], p[1], tuple(p[2]), p[3]) for p in phrases],
                   [Bag(b[0], b[1], {int(k): v for k, v in b[2].items()}, b[3]) for b in bags], normal, same, checks, against)


def _split(text: str) -> list[str]:
    text = text.lower().replace("’", "'").replace("`", "'")
    text = re.sub(r"n't\b", "nt", text)
    return _WORD.findall(text)


def _phrase_words(text: str, same: dict[str, str]) -> tuple[list[str], bool]:
    words, negated = [], False
    for raw in _split(text):
        word = raw.replace("'", "")
        if word in _NEGATIONS:
            negated = True
        elif word[0].isalnum() and (word not in _SMALL or word in _KEPT):
            words.append(same.get(word, word))
    if not words:
        words = [w for w in (raw.replace("'", "") for raw in _split(text)) if w[0].isalnum() and w not in _NEGATIONS]
    return words, negated


def _tokens(lexicon: Lexicon, text: str) -> tuple[list[Token], set[int]]:
    """The words of a text, and the clauses that are hedged."""
    raw = [word.replace("'", "") or "'" for word in _split(text)]
    hedged: set[int] = set()
    tokens: list[Token] = []
    clause = number = 0
    while number < len(raw):
        hedge = next((h for h in _HEDGES if tuple(raw[number : number + len(h)]) == h), None)
        word = raw[number]
        if hedge:
            hedged.add(clause)
            number += len(hedge)
            continue
        number += 1
        if word in _HARD:
            clause += 10
        elif word in _SOFT:
            clause += 1
        elif word in _NEGATIONS:
            tokens.append(Token(word, {}, clause, True, False))
        elif word[0].isalnum():
            tokens.append(Token(word, {}, clause, False, word in _SMALL))
    return _with_stems(lexicon, tokens), hedged


def _with_stems(lexicon: Lexicon, tokens: Sequence[Token]) -> list[Token]:
    """Tokens with their stems: by the word itself, else by the nearest words of the lexicon."""
    strange = sorted({t.word for t in tokens if not t.negation and not t.small
                      and lexicon.same.get(t.word, t.word) not in lexicon.words and len(t.word) > 2})
    near: dict[str, dict[int, float]] = {}
    if strange:
        from rapidfuzz import fuzz, process

        known = list(lexicon.words)
        for word in strange:
            near[word] = {}
            for other, score, _ in process.extract(word, known, scorer=fuzz.ratio, score_cutoff=72.0, limit=6):
                likeness = _likeness(word, other, score)
                stem = lexicon.words[other]
                if likeness > near[word].get(stem, 0.0):
                    near[word][stem] = likeness
    found = []
    for token in tokens:
        word = lexicon.same.get(token.word, token.word)
        known_stem = lexicon.words.get(word)
        if token.negation:
            found.append(token)
        elif known_stem is not None:
            found.append(token._replace(stems={known_stem: 1.0}))
        else:
            found.append(token._replace(stems=near.get(token.word, {})))
    return found


def _likeness(word: str, other: str, score: float) -> float:
    """0..1: another form of the same word (common beginning), or a slip of the pen."""
    shared = 0
    for a, b in zip(word, other, strict=False):
        if a != b:
            break
        shared += 1
    if shared >= 4 and shared >= 0.75 * min(len(word), len(other)) and abs(len(word) - len(other)) <= 4:
        return 0.95
    return score / 100 if score >= SPELLING and min(len(word), len(other)) >= 4 else 0.0


def understand(lexicon: Lexicon, text: str) -> Understood:
    """Findings in a text: taken ones, doubtful ones, and the words that nothing used."""
    tokens, hedged = _tokens(lexicon, text)
    hits = sorted([*_hits(lexicon, tokens), *_clause_hits(lexicon, tokens)], key=lambda h: (-h.value, h.finding, h.places))
    used: dict[int, str] = {}
    matches: list[Match] = []
    doubts: list[Doubt] = []
    taken: set[str] = set()
    for hit in hits:
        if hit.finding in taken or not _fresh(lexicon, tokens, hit, used):
            continue
        rivals = [other for other in hits if other.finding != hit.finding and other.finding not in taken
                  and len(set(other.places) & set(hit.places)) * 2 >= len(hit.places) and _fresh(lexicon, tokens, other, used)]
        near = [other for other in rivals if other.value >= 0.93 * hit.value]
        alone = all(other.value < 0.8 * hit.value for other in rivals)
        words = " ".join(tokens[p].word for p in _span(hit.places))
        if not near and hit.weight >= LEAST and (hit.score >= ACCEPT or (alone and hit.score >= ACCEPT_ALONE)):
            sure = tokens[hit.places[0]].clause not in hedged
            matches.append(Match(hit.finding, hit.level, words, round(hit.score, 3), sure))
            taken.add(hit.finding)
        else:
            best: dict[str, tuple[str, str, float]] = {}
            for other in [hit, *(near or rivals[:2])]:
                best.setdefault(other.finding, (other.finding, other.level, round(other.score, 3)))
            doubts.append(Doubt(words, tuple(best.values())[:4]))
            taken.update(list(best)[:4])
        for place in _span(hit.places):
            used.setdefault(place, hit.finding)
    return Understood(tuple(matches), tuple(doubts), _left_over(tokens, used))


def _span(places: Sequence[int]) -> range:
    return range(min(places), max(places) + 1)


def _fresh(lexicon: Lexicon, tokens: Sequence[Token], hit: _Hit, used: dict[int, str]) -> bool:
    """Whether most of a hit's weight stands on words that no taken match uses."""
    total = fresh = 0.0
    for place in hit.places:
        weight = _weight(lexicon, tokens[place])
        total += weight
        fresh += weight * (place not in used)
    return fresh >= 0.7 * total


def _hits(lexicon: Lexicon, tokens: Sequence[Token]) -> Iterable[_Hit]:
    """Every phrase that some window of the text covers well enough, at its best place."""
    where: dict[int, list[tuple[int, float]]] = {}
    for place, token in enumerate(tokens):
        for stem, likeness in token.stems.items():
            where.setdefault(stem, []).append((place, likeness))
    for phrase in lexicon.phrases:
        if sum(lexicon.weights[s] for s in phrase.stems) < 2.0:
            continue
        present = sum(lexicon.weights[s] for s in phrase.stems if s in where)
        total = sum(lexicon.weights[s] for s in phrase.stems)
        if present < ASK * total:
            continue
        hit = _best_window(lexicon, tokens, phrase, where, total)
        if hit is not None and hit.score >= ASK:
            yield hit


def _best_window(lexicon: Lexicon, tokens: Sequence[Token], phrase: Phrase, where: dict[int, list[tuple[int, float]]],
                 total: float) -> _Hit | None:
    best: _Hit | None = None
    anchors = sorted({place for stem in phrase.stems for place, _ in where.get(stem, ())})
    reach = 2 * len(phrase.stems) + 4
    for start in anchors:
        places, weight = [], 0.0
        for stem in phrase.stems:
            options = [(place, likeness) for place, likeness in where.get(stem, ())
                       if start <= place < start + reach and tokens[place].clause // 10 == tokens[start].clause // 10]
            if options:
                place, likeness = max(options, key=lambda o: (o[1], -o[0]))
                places.append(place)
                weight += lexicon.weights[stem] * likeness
        if not places or start not in places:
            continue
        hit = _scored(lexicon, tokens, phrase, tuple(sorted(set(places))), weight, total)
        if best is None or hit.value > best.value:
            best = hit
    return best


def _scored(lexicon: Lexicon, tokens: Sequence[Token], phrase: Phrase, places: tuple[int, ...], weight: float,
            total: float) -> _Hit:
    span = _span(places)
    odd = sum(_weight(lexicon, tokens[p]) for p in span if p not in places and not tokens[p].small and not tokens[p].negation)
    clauses = len({tokens[p].clause for p in places}) - 1
    normal = lexicon.normal[phrase.finding]
    score = weight / total - (0.06 if phrase.level == normal else 0.015) * odd - 0.08 * clauses
    if phrase.level == normal and any(s in lexicon.against.get(phrase.finding, ()) for p in span for s in tokens[p].stems):
        score -= 0.3  # "keeps forgetting its stations" is not "keeps its stations"
    negations = [p for p in range(max(0, span.start - 3), span.stop) if tokens[p].negation
                 and tokens[p].clause == tokens[places[0]].clause
                 and sum(not tokens[q].small for q in range(p + 1, span.start)) <= 1]
    level = phrase.level
    if negations:
        places = tuple(sorted({*places, negations[-1]}))
    if phrase.negated and not negations:
        score -= 0.45
    elif negations and not phrase.negated:
        if phrase.level == normal:
            score -= 0.45
        else:
            level = normal
            score -= 0.02
    return _hit(lexicon, phrase.finding, level, score, weight, places)


def _hit(lexicon: Lexicon, finding: str, level: str, score: float, weight: float, places: tuple[int, ...]) -> _Hit:
    value = score * math.sqrt(weight) * (0.85 if finding in lexicon.checks else 1.0)
    return _Hit(finding, level, score, value, weight, places)


def _weight(lexicon: Lexicon, token: Token) -> float:
    """Weight of a word of the text; a word that the lexicon lacks counts like a middling one."""
    return max((lexicon.weights[s] for s in token.stems), default=2.5)


def _clause_hits(lexicon: Lexicon, tokens: Sequence[Token]) -> Iterable[_Hit]:
    """Each clause, and each sentence of several clauses, against all the words of each finding."""
    clauses: dict[int, list[int]] = {}
    sentences: dict[int, list[int]] = {}
    for place, token in enumerate(tokens):
        clauses.setdefault(token.clause, []).append(place)
        sentences.setdefault(token.clause // 10, []).append(place)
    stretches = list(clauses.values()) + [s for s in sentences.values() if len({tokens[p].clause for p in s}) > 1]
    for stretch in stretches:
        content = [p for p in stretch if tokens[p].stems or not (tokens[p].small or tokens[p].negation)]
        total = sum(_weight(lexicon, tokens[p]) for p in content)
        negations = [p for p in stretch if tokens[p].negation]
        if not content:
            continue
        for bag in lexicon.bags:
            weight, places = 0.0, []
            for place in content:
                part = max((lexicon.weights[s] * likeness * bag.stems[s] for s, likeness in tokens[place].stems.items()
                            if s in bag.stems), default=0.0)
                if part:
                    weight += part
                    places.append(place)
            score = 0.95 * weight / total * min(1.0, math.sqrt(weight / ENOUGH))
            if not places or score < ASK:
                continue
            level, normal = bag.level, lexicon.normal[bag.finding]
            if negations and bag.negated == 0.0:
                if bag.level == normal:
                    continue
                level, score = normal, 0.85 * score
            elif not negations and bag.negated > 0.7:
                score *= 0.6
            if score >= ASK:
                yield _hit(lexicon, bag.finding, level, score, weight, tuple(sorted({*places, *negations[:1]})))


def _left_over(tokens: Sequence[Token], used: dict[int, str]) -> tuple[str, ...]:
    runs: list[list[str]] = []
    last = -2
    for place, token in enumerate(tokens):
        if place in used or token.small or token.negation:
            continue
        if place == last + 1 and runs:
            runs[-1].append(token.word)
        else:
            runs.append([token.word])
        last = place
    return tuple(" ".join(run) for run in runs)


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
    for _, score, at in process.extract(words, texts, scorer=fuzz.token_set_ratio, processor=utils.default_process,
                                        score_cutoff=50.0, limit=None):
        bonus = 5.0 if knowledge.findings[owners[at]].kind == CHECK else 8.0
        best[owners[at]] = max(best.get(owners[at], 0.0), min(100.0, score + bonus - 8.0))
    return sorted(best.items(), key=lambda item: (-item[1], item[0]))[:most]


def as_plain(understood: Understood) -> dict[str, Any]:
    """For JSON."""
    return {
        "matches": [m._asdict() for m in understood.matches],
        "doubts": [{"words": d.words, "candidates": [{"finding": f, "level": x, "score": s} for f, x, s in d.candidates]}
                   for d in understood.doubts],
        "not_understood": list(understood.left_over),
    }
