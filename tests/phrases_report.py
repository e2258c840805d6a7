"""How well a customer's words are read, on the messages of phrases_corpus.yaml: python -m tests.phrases_report [each]"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path
from typing import NamedTuple

import yaml

from diagnose.phrases import Lexicon, Understood, build_lexicon, understand

CORPUS = Path(__file__).with_name("phrases_corpus.yaml")
ROOT = Path(__file__).resolve().parent.parent


class Message(NamedTuple):
    """A message: what was said; means: one set of finding=level per thing to be taken (any of the set will do; a trailing
    "?" asks for a hedged match); may: what is right as well without being asked for."""

    say: str
    means: tuple[frozenset[str], ...]
    may: frozenset[str]


class Score(NamedTuple):
    """Counts over messages. sure: findings taken as sure; wrong: those of them that are not so; unsure, wrong_unsure: the
    same for hedged ones; wanted: findings to be taken; taken: those matched; asked: those offered in a doubt instead;
    questions: doubts; idle: doubts without a right candidate; milliseconds: per message, the median and the longest."""

    messages: int
    sure: int
    wrong: int
    unsure: int
    wrong_unsure: int
    wanted: int
    taken: int
    asked: int
    questions: int
    idle: int
    median: float
    longest: float

    @property
    def precision(self) -> float:
        """Share of the findings taken as sure that are so."""
        return 1 - self.wrong / max(1, self.sure)

    @property
    def recall(self) -> float:
        """Share of the findings to be taken that are matched."""
        return self.taken / max(1, self.wanted)

    @property
    def noticed(self) -> float:
        """Share of the findings to be taken that are matched or offered in a doubt."""
        return (self.taken + self.asked) / max(1, self.wanted)


def read_corpus(half: str) -> list[Message]:
    """The messages of the "development" half (1st, 3rd, ...) or of the "held-out" half (2nd, 4th, ...)."""
    data = yaml.safe_load(CORPUS.read_text(encoding="utf-8"))
    groups = {name: frozenset(labels) for name, labels in data["groups"].items()}
    messages = [Message(m["say"], tuple(groups.get(label, frozenset([label])) for label in m["means"]),
                        frozenset[str]().union(*(groups.get(label, frozenset([label])) for label in m.get("may", []))))
                for m in data["messages"]]
    return messages[{"development": 0, "held-out": 1}[half] :: 2]


def judge(message: Message, understood: Understood) -> tuple[list[str], list[str], list[str]]:
    """What was wrongly taken, what was offered only in a doubt, and what was missed; hedged ones carry a "?"."""
    right = message.may.union(*message.means)
    loosely = {label.rstrip("?") for label in right}
    wrong = [f"{m.finding}={m.level}{'' if m.sure else '?'}" for m in understood.matches
             if (f"{m.finding}={m.level}" not in (right if m.sure else loosely))]
    matched = {f"{m.finding}={m.level}" for m in understood.matches}
    offered = {f"{finding}={level}" for d in understood.doubts for finding, level, _ in d.candidates}
    open_ = [{label.rstrip("?") for label in labels} for labels in message.means]
    open_ = [labels for labels in open_ if not labels & matched]
    asked = ["|".join(sorted(labels)) for labels in open_ if labels & offered]
    return wrong, asked, ["|".join(sorted(labels)) for labels in open_ if not labels & offered]


def score(lexicon: Lexicon, messages: list[Message]) -> Score:
    """The counts over some messages."""
    times, rows = [], []
    for message in messages:
        start = time.perf_counter()
        understood = understand(lexicon, message.say)
        times.append(1000 * (time.perf_counter() - start))
        wrong, asked, missed = judge(message, understood)
        right = {label.rstrip("?") for label in message.may.union(*message.means)}
        sure = sum(m.sure for m in understood.matches)
        hedged_wrong = sum(label.endswith("?") for label in wrong)
        rows.append((1, sure, len(wrong) - hedged_wrong, len(understood.matches) - sure, hedged_wrong, len(message.means),
                     len(message.means) - len(asked) - len(missed), len(asked), len(understood.doubts),
                     sum(not any(f"{f}={x}" in right for f, x, _ in d.candidates) for d in understood.doubts)))
    return Score(*(sum(column) for column in zip(*rows, strict=True)), statistics.median(times), max(times))


def main() -> None:
    """Prints the figures of both halves; with "each", every message of the development half that was not read right."""
    from diagnose.network import open_network

    lexicon = build_lexicon(open_network("head_unit").knowledge)
    for half in ("development", "held-out"):
        messages = read_corpus(half)
        understand(lexicon, "warm upp")
        s = score(lexicon, messages)
        print(f"{half:12} {s.messages} messages, {s.wanted} findings: precision {s.precision:.3f} ({s.wrong} wrong of {s.sure} "
              f"sure; unsure {s.wrong_unsure} of {s.unsure}), taken {s.recall:.3f}, taken or asked {s.noticed:.3f}, "
              f"{s.questions} questions ({s.idle} idle), {s.median:.1f} ms, at most {s.longest:.1f}")
        for message in messages if half in sys.argv[1:] else ():
            understood = understand(lexicon, message.say)
            wrong, asked, missed = judge(message, understood)
            if wrong or asked or missed:
                print(f"\n  {message.say}\n    wrong {wrong} asked {asked} missed {missed}")
                for match in understood.matches:
                    print(f"      {match.finding}={match.level} {match.score} {match.words!r}")
                for doubt in understood.doubts:
                    print(f"      ? {doubt.words!r}: {doubt.candidates}")


if __name__ == "__main__":
    main()
