"""Which cautions belong to what is done or asked, for whom, and in which words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from diagnose.records import CHECK, Caution, Finding, Knowledge


def called_for(caution: Caution, texts: Iterable[str]) -> str:
    """The first of the caution's triggers that stands in one of the texts as whole words, or ''."""
    for text in texts:
        small = text.lower()
        for word in caution.triggers:
            if word in small and re.search(rf"(?<!\w){re.escape(word)}(?!\w)", small):
                return word
    return ""


def steps_for(finding: Finding, who: str) -> Sequence[str]:
    """The steps of a check in the words meant for this person; a workshop takes the fitter's."""
    return finding.how.get(who) or (finding.how.get("fitter", ()) if who == "workshop" else ())


def cautions_for(knowledge: Knowledge, finding: Finding, who: str) -> list[Caution]:
    """The cautions that concern what this person is asked to do, in the order of the files.

    Of a check all but those that the files keep for others. A report or a circumstance asks nobody to do anything: its
    cautions count if the answer may be an alarm, or if the question itself calls for them.
    """
    found = [knowledge.cautions[name] for name in finding.cautions]
    if finding.kind != CHECK:
        return [caution for caution in found if finding.alarm or called_for(caution, [finding.ask])]
    as_who = "fitter" if who == "workshop" and who not in finding.how else who
    return [caution for caution in found if as_who in finding.only_for.get(caution.id, (as_who,))]


def words_of(caution: Caution, who: str) -> str:
    """The caution in words for this person: the brief ones, where there are some, for a customer."""
    return caution.briefly if who == "customer" and caution.briefly else caution.text
