"""The conversation at a terminal: draw, read a line, write it down, next. Every answer is on disk before the next question."""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass, field

from rich.console import Console
from rich.text import Text

from diagnose import case as cases
from diagnose import screens_call as show
from diagnose.caserecord import CURED, NO_CHANGE, PARTLY, Case, RemedyTried
from diagnose.cautions import cautions_for
from diagnose.conversation import (
    Reply,
    already_asked,
    as_answer,
    check_known,
    evidence_of,
    find_cause,
    no_longer_valid,
    order_in,
    understand_reply,
)
from diagnose.evidence import Evidence
from diagnose.network import Opened
from diagnose.nextcheck import CheckScore, Choice, Situation, allowed, choose, with_outcomes
from diagnose.posterior import Posterior, infer
from diagnose.records import Finding
from diagnose.screens import show_problems
from diagnose.source import InputError, complaint, nearest
from diagnose.triage import SWEEP_MEMORY, Triage, advise, is_troubled
from diagnose.wording import proper_text

MOST_OTHERS, MOST_TELLING = 6, 4  # questions that ``else`` lists, and that a search on site begins with
_OUTCOMES = {"yes": CURED, "y": CURED, "no": NO_CHANGE, "n": NO_CHANGE, "partly": PARTLY, "p": PARTLY}


@dataclass
class Session:
    """A conversation going on. who: on the line; tools: at hand, None for unknown; made: set-ups that are there by now;
    wanted: a finding to be put next; refused: passed over by this person; read: cautions shown in full already; open: whether
    it may still be asked what the trouble is."""

    opened: Opened
    file: cases.CaseFile
    out: Console
    who: str = "customer"
    tools: frozenset[str] | None = None
    made: set[str] = field(default_factory=set)
    by_gain: bool = False
    wanted: str = ""
    refused: set[str] = field(default_factory=set)
    read: set[str] = field(default_factory=set)
    open: bool = True

    @property
    def case(self) -> Case:
        """The case as it stands on disk."""
        return self.file.case

    def keep(self, case: Case) -> None:
        """Put the case on disk; InputError, and nothing kept, if what it then holds cannot be true or is too much to reckon."""
        infer(self.opened.network, evidence_of(self.opened, case), memory=SWEEP_MEMORY)
        self.file = cases.save(self.file, case)


@dataclass
class Standing:
    """Where things stand after the last entry."""

    evidence: Evidence
    posterior: Posterior
    triage: Triage


def standing(opened: Opened, case: Case) -> Standing:
    """Evidence, posterior and triage of a case."""
    evidence = evidence_of(opened, case)
    posterior = infer(opened.network, evidence, memory=SWEEP_MEMORY)
    return Standing(evidence, posterior, advise(opened, evidence, posterior))


def situation_of(session: Session) -> Situation:
    """Who is there, with what, and what was put already; answers made stale by a remedy may be asked again."""
    again = set(no_longer_valid(session.opened, session.case))
    return Situation(who=session.who, tools=session.tools, made=frozenset(session.made),
                     asked=already_asked(session.opened, session.case, session.who) - again, skipped=frozenset(session.refused),
                     circumstances=dict(session.case.circumstances))


def choice_of(session: Session, now: Standing) -> Choice:
    """What to do next for whoever is on the line."""
    return choose(session.opened.knowledge, session.opened.network, now.evidence, now.posterior, situation_of(session),
                  by_gain=session.by_gain, explained=0)


def converse(session: Session) -> None:
    """The whole conversation until it is left or nothing is left to ask. Raises InputError if the case cannot be kept."""
    check_known(session.opened, session.case)
    while True:
        now = standing(session.opened, session.case)
        show.show_belief(session.out, now.triage)
        advice = now.triage.advice
        if advice.safety == "stop_now":
            show.show_safety(session.out, now.triage)
            if session.who == "customer" and not advice.lifted_by:
                if not _orders_only(session, now, "Nothing more is asked by telephone"):
                    return
                continue
        choice = choice_of(session, now)
        wanted, session.wanted = session.wanted, ""
        name = wanted or choice.ask
        if session.open and not wanted and _nothing_known(session, now, choice):
            going_on = _ask_openly(session, now, choice)
        elif name:
            going_on = _put(session, now, choice, session.opened.knowledge.findings[name])
        else:
            going_on = _finish(session, now, choice)
        if not going_on:
            return


def _read(session: Session, prompt: str = "> ") -> str | None:
    """A typed line; None at the end of the input."""
    try:
        return proper_text(session.out.input(Text(prompt, style="bold")))
    except EOFError:
        session.out.print()
        return None


def _listen(session: Session, act: Callable[[str], bool | None]) -> bool:
    """Read lines ("?" is "help") and act on each until that decides: True to go on with something new, False to leave, None to
    wait for another line. What is wrong with a line is said; where the input ends, the case stays as it is on disk."""
    while True:
        line = _read(session)
        if line is None:
            return _leave(session)
        try:
            done = act("help" if line == "?" else line)
        except InputError as error:
            show_problems(error.problems)
            continue
        except EOFError:
            return _leave(session)
        if done is not None:
            return done


def _say(session: Session, words: str) -> None:
    show.say(session.out, words)


def _put(session: Session, now: Standing, choice: Choice, finding: Finding) -> bool:
    """Put one question and take what is typed; False to leave."""
    knowledge = session.opened.knowledge
    score = next((s for s in choice.scores if s.finding == finding.id), None)
    number = sum(answer.method != "volunteered" for answer in session.case.answers) + 1
    who = score.asked_of if score else session.who
    again = finding.id in no_longer_valid(session.opened, session.case)
    show.show_question(session.out, knowledge, finding, number=number, who=who, score=score, again=again,
                       read=session.read)
    session.read.update(caution.id for caution in cautions_for(knowledge, finding, who))

    def act(line: str) -> bool | None:
        reply = understand_reply(session.opened, finding, line, who=who) if line else None
        if reply is None or reply.order != "answer":
            return _obey(session, now, reply, choice, score) if reply else None
        _take(session, finding, reply, who)
        return True

    return _listen(session, act)


def _nothing_known(session: Session, now: Standing, choice: Choice) -> bool:
    """Whether no trouble is known yet, so that questions would grope in the dark; what comes first in every conversation
    comes first here too, and after a remedy the trouble may well be gone."""
    knowledge = session.opened.knowledge
    first = choice.ask in knowledge.header.first_checks
    return not (first or session.case.remedies or is_troubled(knowledge, now.triage.heard))


def _ask_openly(session: Session, now: Standing, choice: Choice) -> bool:
    """Ask what the trouble is until something is understood or the line is empty; False to leave."""
    show.show_open_question(session.out)

    def act(line: str) -> bool | None:
        if not line or line.lower() == "skip":
            session.open = False
            return True
        reply = order_in(line)
        if reply is None:
            return _change(session, "tell", line)
        if reply.order != "why":
            return _obey(session, now, reply, choice, None)
        _say(session, "no trouble is known yet: any question would be a guess")
        return None

    return _listen(session, act)


def _take(session: Session, finding: Finding, reply: Reply, who: str) -> None:
    at = cases.now()
    if reply.unanswered == "skipped":
        session.refused.add(finding.id)
    session.keep(cases.with_answer(session.case, as_answer(finding, reply, who=who, at=at)))
    if not reply.unanswered:
        session.made.update(finding.set_ups)


def _obey(session: Session, now: Standing, reply: Reply, choice: Choice | None, score: CheckScore | None) -> bool | None:
    """Carry an order out: True to go on with a new question, False to leave, None to stay with this one."""
    order, argument = reply.order, reply.argument
    knowledge = session.opened.knowledge
    if order == "stop":
        return _leave(session)
    if order == "help":
        show.show_orders(session.out)
    elif order == "why":
        if score is None:
            _say(session, "you asked for this one")
        else:
            known = (knowledge, session.opened.network, now.evidence, now.posterior, situation_of(session))
            show.show_why(session.out, knowledge, with_outcomes(*known, score), stops=_stops(session, now, score))
    elif order == "belief":
        show.show_belief(session.out, now.triage, full=True)
    elif order == "else":
        others = [s for s in (choice.scores if choice else ()) if score is None or s.finding != score.finding]
        show.show_others(session.out, knowledge, others[:MOST_OTHERS])
    elif order == "note":
        session.keep(cases.with_note(session.case, argument, at=cases.now()))
        _say(session, "noted")
    elif order == "reading":
        _work_out(session, argument, score)
    elif order == "ask":
        return _ask_for(session, argument, {s.finding for s in choice.scores} if choice else set())
    else:
        return _change(session, order, argument)
    return None


def _stops(session: Session, now: Standing, score: CheckScore) -> set[str]:
    """The answers to a question after which nothing is tried any more, where that is not so already."""
    found: set[str] = set()
    if now.triage.advice.safety == "stop_now":
        return found
    finding = session.opened.knowledge.findings[score.finding]
    for level in finding.levels:
        answer = as_answer(finding, Reply("answer", level=level), who=score.asked_of, at=cases.now())
        with suppress(InputError):  # an answer that cannot be true
            after = standing(session.opened, cases.with_answer(session.case, answer))
            if after.triage.advice.safety == "stop_now":
                found.add(level)
    return found


def _work_out(session: Session, argument: str, score: CheckScore | None) -> None:
    """What a reading means, and the figure in it that answers the check at hand, if there is one."""
    from diagnose import readings
    from diagnose.screens import show_judgement

    name, *values = argument.split()
    judgement = readings.run(name, values)
    show_judgement(session.out, judgement)
    wanted = session.opened.knowledge.findings[score.finding].reading if score else None
    fits = [figure for figure in judgement.figures if wanted and figure.unit == wanted.unit]
    if fits:
        _say(session, f"as a number for this question: {fits[0].value:.4g} {fits[0].unit}")


def _ask_for(session: Session, argument: str, listed: Collection[str]) -> bool:
    """Put this finding next; InputError unless it is listed as a question now, or could be but for having been asked."""
    knowledge = session.opened.knowledge
    finding = knowledge.findings.get(argument)
    if finding is None:
        raise complaint(f"there is no finding {argument[:40]!r}", nearest(argument, knowledge.findings))
    again = situation_of(session)._replace(asked=frozenset(), skipped=frozenset())
    if finding.id not in listed and not allowed(knowledge, finding, again):
        raise complaint(f"{argument!r} is not for the {session.who} with what is at hand", "else lists what is")
    session.wanted = finding.id
    return True


def _change(session: Session, order: str, argument: str) -> bool:
    """Orders that change the case or who is there."""
    knowledge = session.opened.knowledge
    if order == "back":
        session.keep(cases.without_last_answer(session.case))
    elif order == "who":
        if argument not in knowledge.header.people:
            raise complaint(f"{argument[:40]!r} is not one of the people", nearest(argument, knowledge.header.people))
        session.who, session.made, session.tools = argument, set(), None
        session.refused.clear()
        session.read.clear()
    elif order == "tell":
        _tell(session, argument)
    elif order == "tried":
        return _tried(session, find_cause(session.opened, argument))
    return True


def _tell(session: Session, words: str) -> None:
    from diagnose.correspondence import with_words
    from diagnose.screens import ask_which

    case, told = with_words(session.opened, session.case, words,
                            choose=lambda doubt: ask_which(session.out, doubt, session.opened.knowledge))
    for line in told:
        _say(session, line)
    session.keep(case)


def _tried(session: Session, cause: str) -> bool:
    """Ask how a remedy ended and record it; False to leave, as everything works."""
    title = session.opened.knowledge.causes[cause].title
    while True:
        line = _read(session, f"{title}: put right, and does everything work now? (yes, no, partly) ")
        if line is None:
            raise EOFError
        outcome = _OUTCOMES.get(line.lower())
        if outcome:
            break
        _say(session, "yes, no or partly")
    session.keep(cases.with_remedy(session.case, RemedyTried(cause, outcome, cases.now(), session.who)))
    if outcome == CURED:
        _works(session)
    return outcome != CURED


def _works(session: Session) -> None:
    _say(session, f"it works again; close the case with: diagnose close {session.case.id}")


def _finish(session: Session, now: Standing, choice: Choice) -> bool:
    """Nothing more to ask: say why, offer the first remedy if it can be done from here; False to leave."""
    knowledge = session.opened.knowledge
    show.show_stop(session.out, knowledge, now.triage, choice)
    telling = [score for score in choice.scores if score.gain >= show.SOMETHING][:MOST_TELLING]
    if session.who != "customer" and telling and any(step.cause not in knowledge.causes for step in choice.plan):
        show.show_others(session.out, knowledge, telling, heading="a search on site begins with")
    if any(r.outcome == CURED for r in session.case.remedies):
        _works(session)
    first = choice.plan[0] if choice.plan else None
    if first and first.way in ("phone", "here") and first.cause in knowledge.causes:
        p = now.posterior.p[session.opened.network.cause_index[first.cause]]
        cause = knowledge.causes[first.cause]
        show.show_remedy(session.out, knowledge, cause, way=first.way, p=float(p), read=session.read)
        session.read.update(cause.remedy.cautions)
        return _orders_only(session, now, f"when it was tried: tried {first.cause}", choice)
    return _orders_only(session, now, f"the sheet for the visit: diagnose sheet {session.case.id}", choice)


def _orders_only(session: Session, now: Standing, words: str, choice: Choice | None = None) -> bool:
    """Wait for an order where there is no question; True when something changed, False to leave."""
    orders = ("tell", "tried", "who", "back", "note", "belief", "reading", *(("why", "else") if choice else ()), "stop")
    _say(session, f"{words}; or {', '.join(orders)}")

    def act(line: str) -> bool | None:
        word, _, rest = line.partition(" ")
        if not line:
            return None
        if word.lower() not in (*orders, "help", "ask"):
            raise complaint(f"{line[:40]!r} is no order that fits here",
                            f"{', '.join(orders[:-1])} or stop; what was said goes in with: tell WORDS")
        if word.lower() in ("tell", "tried", "who", "note", "ask", "reading") and not rest.strip():
            raise complaint(f"{word} wants something after it", "help shows how")
        if word.lower() != "why" or not choice:
            return _obey(session, now, Reply(word.lower(), rest.strip()), choice, None)
        show.show_no_check_pays(session.out, session.opened.knowledge, choice)
        return None

    return _listen(session, act)


def _leave(session: Session) -> bool:
    _say(session, f"kept; take it up again with: diagnose call {session.case.id}")
    return False

