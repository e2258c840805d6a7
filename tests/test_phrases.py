"""A customer's words -> findings: how well, how steadily, how fast.

The messages of phrases_corpus.yaml are invented and were labelled before the phrase lists were read; value from memory, no
outside source. The floors hold for both halves, though only the development half was looked at when lists and rules were made.
"""

from __future__ import annotations

import doctest
import gc
import json
import os
import random
import subprocess
import sys
import time
from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnose import wording
from diagnose.network import Opened, open_network
from diagnose.phrases import Lexicon, Understood, as_plain, build_lexicon, open_lexicon, search, understand
from diagnose.records import CIRCUMSTANCE, REPORT
from tests.phrases_report import ROOT, Message, judge, read_corpus, score

HALVES = ("development", "held-out")
# Phrases that are not taken for their own finding, with why. They are asked about where another finding fits as well.
EXCEPTIONS = {
    # said of a report as well, and a report goes first
    ("four_corners", "bass comes back when I turn it to one side"),
    ("front_catch_look", "front does not click in"), ("noise_at_zero_volume", "hiss with the volume at nothing"),
    ("pitch_follows_revs", "whine goes up with the revs"), ("press_corners", "wires hanging by my feet"),
    ("removable_front", "front does not come off"), ("trim_look", "crack in the panel"),
    ("monitored_lamps", "bulb failure warning fitted"), ("recent_work", "battery went flat and was jumped"),
    ("speaker_plug_off", "no protection message at all"),
    # the amplifier of which speakers? asked
    ("all_speakers_silent", "amp doesn't come on"), ("all_speakers_silent", "amplifier won't turn on"),
    ("subwoofer_silent", "amp no longer comes on"),
    # with the engine running, with lamps or fan, or always? asked
    ("whine_with_engine", "it hums."), ("whine_with_engine", "hum in my speakers."), ("whine_with_engine", "it buzzes."),
    ("steady_hiss_or_hum", "there is a hum."), ("steady_hiss_or_hum", "hum from the speakers."),
    ("steady_hiss_or_hum", "there is a buzz."), ("steady_hiss_or_hum", "buzz from the speakers."),
    ("buzz_with_loads", "it is buzzing."), ("buzz_with_loads", "buzz in my speakers."),
    # does the starter turn? asked
    ("battery_flat_after_standing", "car won't start since the fitting"), ("battery_flat_after_standing", "car won't start"),
    ("engine_turns_not_firing", "engine won't start since the fitting"), ("engine_turns_not_firing", "engine won't start"),
    # too little said: what is worse?
    ("compare_open_place", "much worse than my other car"),
    # "and" and a comma part clauses; a negation reaches over its own only
    ("amplifier_supply", "amplifier has feed and earth"),
    ("button_learning_repeated", "learned the buttons again and no better"),
    ("discs_not_read", "shop CD plays, copied one doesn't"),
    # "nothing but"
    ("am_dead_fm_weak", "nothing but hiss on AM stations"),
}


@cache
def shipped() -> Opened:
    return open_network("head_unit")


@cache
def lexicon() -> Lexicon:
    return build_lexicon(shipped().knowledge)


def read(text: str) -> Understood:
    return understand(lexicon(), text)


def taken(text: str) -> set[str]:
    """What is taken from a text, a "?" behind what is hedged."""
    return {f"{m.finding}={m.level}{'' if m.sure else '?'}" for m in read(text).matches}


# --- the corpus --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("half", HALVES)
def test_messages_are_read_well_enough(half: str) -> None:
    s = score(lexicon(), read_corpus(half))
    assert s.precision >= 0.96, s
    assert s.recall >= 0.80, s
    assert s.noticed >= 0.88, s
    assert s.wrong_unsure <= 1, s
    assert s.idle <= 0.1 * s.messages, s


@pytest.mark.parametrize("half", HALVES)
def test_each_half_speaks_of_every_report(half: str) -> None:
    messages = read_corpus(half)
    known = {f"{f.id}={level}" for f in shipped().knowledge.findings.values() for level in f.levels}
    labels = {label.rstrip("?") for m in messages for label in m.may.union(*m.means)}
    assert labels <= known
    reports = {f.id for f in shipped().knowledge.of_kind(REPORT)}
    assert reports <= {label.rpartition("=")[0] for m in messages for labels in m.means for label in labels}
    assert len(messages) >= 200


def test_the_corpus_speaks_of_every_circumstance() -> None:
    labels = {label.rpartition("=")[0] for half in HALVES for m in read_corpus(half) for labels in m.means for label in labels}
    assert labels >= {f.id for f in shipped().knowledge.of_kind(CIRCUMSTANCE)}


def test_the_judge_tells_wrong_asked_and_missed_apart() -> None:
    labels = ("burning_smell_or_smoke=yes", "dead_with_key_on=yes?", "hot_to_touch=yes")
    message = Message("no smell, but the radio is dead", tuple(frozenset([label]) for label in labels), frozenset())
    wrong, asked, missed = judge(message, read(message.say))
    assert wrong == ["burning_smell_or_smoke=no", "dead_with_key_on=yes"]
    assert (asked, missed) == ([], ["burning_smell_or_smoke=yes", "hot_to_touch=yes"])


# --- the lists ---------------------------------------------------------------------------------------------------------


def test_a_phrase_is_taken_for_its_own_finding_first() -> None:
    failed = set()
    for finding in shipped().knowledge.findings.values():
        for level, phrase in finding.phrases:
            first = read(phrase).matches[:1]
            if not first or (first[0].finding, first[0].level) != (finding.id, level):
                failed.add((finding.id, phrase))
    assert failed == EXCEPTIONS


def test_a_phrase_with_a_full_stop_is_taken_only_alone() -> None:
    said = [(m.finding, m.level) for m in read("Radio is dead. There is a smell.").matches]
    assert ("burning_smell_or_smoke", "yes") in said
    musty = read("it smells musty when the heater is on")
    assert not musty.matches and musty.doubts[0].candidates[0][0] == "burning_smell_or_smoke"


def test_the_title_of_a_report_is_understood_or_asked_about() -> None:
    for report in shipped().knowledge.of_kind(REPORT):
        understood = read(report.title)
        candidates = {c[0] for doubt in understood.doubts for c in doubt.candidates}
        assert report.id in {m.finding for m in understood.matches} | candidates, report.title


@pytest.mark.parametrize(("name", "share"), [("doorbell", 0.7), ("kitchen_tap", 0.95)])  # "ring" is in 3 of the bell's 4
def test_another_network_is_read_as_well(name: str, share: float, doorbell: Opened) -> None:
    knowledge = doorbell.knowledge if name == "doorbell" else open_network(name).knowledge
    words = build_lexicon(knowledge)
    phrases = [(f.id, level, phrase) for f in knowledge.findings.values() for level, phrase in f.phrases]
    right = 0
    for finding, level, phrase in phrases:
        understood = understand(words, phrase)
        candidates = {c[:2] for doubt in understood.doubts for c in doubt.candidates}
        right += (finding, level) in {(m.finding, m.level) for m in understood.matches} | candidates
    assert phrases
    assert right >= share * len(phrases)


def test_a_slip_in_a_long_word_is_overlooked() -> None:
    chance = random.Random(1)
    tried = right = 0
    for report in shipped().knowledge.of_kind(REPORT):
        for level, phrase in report.phrases:
            words = phrase.split()
            long = [place for place, word in enumerate(words) if len(word) >= 6 and word.isalpha()]
            if (report.id, phrase) in EXCEPTIONS or not long:
                continue
            place = chance.choice(long)
            cut = chance.randrange(1, len(words[place]))
            words[place] = words[place][:cut] + words[place][cut + 1 :]  # a letter left out
            understood = read(" ".join(words))
            candidates = {c[:2] for doubt in understood.doubts for c in doubt.candidates}
            tried += 1
            right += (report.id, level) in {(m.finding, m.level) for m in understood.matches} | candidates
    assert tried > 500
    assert right >= 0.8 * tried


# --- what used to go wrong ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "expected"), [
    ("keeps forgetting the stations", {"forgets_at_key_off=yes"}),
    ("keeps its stations", {"forgets_at_key_off=no"}),
    ("no airbag light but the wheel buttons do nothing", {"restraint_lamp_on=no", "wheel_buttons_dead=yes"}),
    ("the airbag light is on but the wheel buttons are fine", {"restraint_lamp_on=yes", "wheel_buttons_dead=no"}),
    ("It does not cut out on bumps. It cuts out when it's loud.", {"cuts_out_when_moved=no", "cuts_out_when_loud=yes"}),
    ("there is a burning smell, no smoke", {"burning_smell_or_smoke=yes"}),
    ("no smell and no smoke", {"burning_smell_or_smoke=no"}),
    ("no fire or smoke, thankfully", {"burning_smell_or_smoke=no"}),
    ("no smell, smoke or sparks", {"burning_smell_or_smoke=no"}),
    ("no warning lights, the left or right speaker crackles", {"other_warning_lamp=no", "one_channel_crackles=yes"}),
    ("it caught fire", {"burning_smell_or_smoke=yes"}),
    ("everything else works", set()),
    ("all the rest is fine", set()),
    ("everything works except the rear speakers", {"front_or_rear_silent=yes"}),
    ("I can't get the steering wheel buttons to work", {"wheel_buttons_dead=yes"}),
    ("I use bluetooth a lot and also the usb", set()),
    ("my old one was better", set()),
    ("the old radio used to whine", set()),
    ("reception was perfect before, now just static", {"fm_weak=yes"}),
    ("the wheel buttons worked fine before", set()),
    ("how much would a reversing camera cost?", set()),
    ("the wheel buttons work fine, just the sound is distorted", {"wheel_buttons_dead=no", "distorted_sound=yes"}),
    ("every time i turn the key off the radio looses all its stations", {"forgets_at_key_off=yes"}),
    ("keeps blowing its fuse, put a new one in yesterday", {"radio_fuse_blows_again=yes"}),
    ("something smells funny behind the radio", {"burning_smell_or_smoke=yes"}),
    ("its making a funny smell", {"burning_smell_or_smoke=yes"}),
    ("nothing smells", {"burning_smell_or_smoke=no"}),
    ("the car smells of wet dog", set()),
    ("reception gets bad when I plug my phone charger in", {"reception_bad_with_device=yes"}),
    ("parking sensors stopped beeping", {"chimes_missing=yes"}),
    ("no power", {"dead_with_key_on=yes"}),
    ("It has no power.", {"dead_with_key_on=yes"}),
    ("no power at all since you fitted it", {"dead_with_key_on=yes"}),
    ("stations are lost at every key-off", {"forgets_at_key_off=yes"}),
    ("poor reception", {"fm_weak=yes"}),
    ("the unit stays on", {"stays_on_key_out=yes"}),
    ("there is a whining noise that goes up when I press the gas", {"whine_with_engine=yes"}),
    ("the volume keeps jumping up and down", {"unbidden_changes=yes"}),  # no jump start
    ("my indicators have stopped ticking", {"chimes_missing=yes"}),  # no ticking in the speakers
    ("it gets stuck on the logo and starts over and over", {"random_restarts=yes"}),
    ("", set()),
])
def test_known_traps(text: str, expected: set[str]) -> None:
    assert taken(text) == expected


@pytest.mark.parametrize("text", [
    "I think there is a burning smell", "maybe there's a burning smell", "There is a burning smell, I think",
    "not sure, but there is a burning smell", "There seems to be a burning smell", "there might be a burning smell",
    "It's perhaps nothing, though there is a burning smell",
])
def test_a_hedge_makes_it_unsure(text: str) -> None:
    assert taken(text) == {"burning_smell_or_smoke=yes?"}


def test_a_hedge_reaches_no_further_than_its_neighbours() -> None:
    assert taken("I think the clock is wrong. There is a burning smell.") == {"clock_wrong=yes?", "burning_smell_or_smoke=yes"}


def test_what_fits_two_findings_is_asked_about() -> None:
    doubts = read("no dab").doubts
    blown = read("fuse blows")
    assert not blown.matches
    assert {"radio_fuse_blown_once", "radio_fuse_blows_again"} <= {c[0] for d in blown.doubts for c in d.candidates}
    assert all(len(d.candidates) <= 4 for d in doubts)


def test_words_left_over_are_those_of_clauses_that_nothing_was_read_from() -> None:
    understood = read("Hello, thanks. The radio is completely dead, key twice. The glovebox lid sticks. Could you please come")
    assert [m.finding for m in understood.matches] == ["dead_with_key_on"]
    assert understood.left_over == ("key twice", "glovebox lid sticks")


# --- any text ----------------------------------------------------------------------------------------------------------


def check_shape(understood: Understood) -> None:
    findings = shipped().knowledge.findings
    assert len({m.finding for m in understood.matches}) == len(understood.matches)
    for match in understood.matches:
        assert match.level in findings[match.finding].levels
        assert 0.5 <= match.score <= 1.0 + 1e-9
        assert match.words
    for doubt in understood.doubts:
        assert doubt.candidates
        assert all(level in findings[name].levels for name, level, _ in doubt.candidates)
        assert not {c[0] for c in doubt.candidates} & {m.finding for m in understood.matches}
    json.dumps(as_plain(understood))


@given(st.text(max_size=300))
@example("\x00\x1b[31m\u202e[bold]\ud83d\n\t'’`")
@example("'" * 50)
@example("- – — - not not get get to to and and , , ?")
def test_any_text_is_understood(text: str) -> None:
    check_shape(read(text))


@cache
def known_words() -> list[str]:
    return sorted({*lexicon().words, *wording.SMALL, *wording.NEGATIONS, *",.?!&", "and", "but", "i think", "used to", "keeps"})


@given(st.lists(st.integers(0, 10**6), max_size=60))
@settings(max_examples=150)
def test_any_words_of_the_lists_are_understood(numbers: list[int]) -> None:
    words = known_words()
    check_shape(read(" ".join(words[n % len(words)] for n in numbers)))


@given(st.lists(st.sampled_from([m.say for half in HALVES for m in read_corpus(half)]), min_size=2, max_size=4, unique=True),
       st.randoms(use_true_random=False))
@settings(max_examples=100)
def test_the_order_of_sentences_does_not_matter(messages: list[str], chance: random.Random) -> None:
    def plain(said: list[str]) -> tuple[object, ...]:
        understood = read(".\n".join(said))
        return (set(understood.matches), {d.candidates for d in understood.doubts}, sorted(understood.left_over))

    shuffled = messages.copy()
    chance.shuffle(shuffled)
    assert plain(shuffled) == plain(messages)


def test_capitals_apostrophes_and_spaces_do_not_matter() -> None:
    assert read("RADIO WON’T  COME ON") == read("radio won't come on") == read("radio wont\tcome on")
    assert read("the radio\r\nwill not\r\ncome on").matches[0].finding == "dead_with_key_on"
    assert read("radio\n\nwill not come on").matches[0].words == "not come on"


@pytest.mark.parametrize("text", [
    "fuse " * 4000, "radio fuse blown " * 1200, "a" * 20_000, "," * 20_000, "\n" * 20_000, "not " * 5000, "not get to " * 1800,
    "i think " * 2500, "\x00" * 20_000, " ".join(m.say.replace(".", "") for m in read_corpus("development"))[:20_000],
], ids=lambda text: repr(text[:12]))
def test_twenty_thousand_characters_take_no_more_than_seconds(text: str) -> None:
    start = time.process_time()
    check_shape(read(text))
    assert time.process_time() - start < 5


# --- steady and fast ---------------------------------------------------------------------------------------------------


def test_a_message_takes_under_eight_milliseconds() -> None:
    """Processor time, the best of five, of each message; a bar of the project's own."""
    slow = {}
    gc.disable()
    try:
        for message in (m for half in HALVES for m in read_corpus(half)):
            times = []
            for _ in range(5):
                start = time.process_time()
                read(message.say)
                times.append(1000 * (time.process_time() - start))
            slow[message.say] = min(times)
    finally:
        gc.enable()
    assert max(slow.values()) < 8, max(slow, key=slow.__getitem__)
    assert sorted(slow.values())[len(slow) // 2] < 3


def child(code: str, seed: str = "0") -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT,
                          env={**os.environ, "PYTHONHASHSEED": seed})
    return done.stdout


def test_the_order_of_python_sets_does_not_matter() -> None:
    code = ("import json; from tests.phrases_report import read_corpus; from diagnose.network import open_network;"
            "from diagnose.phrases import as_plain, build_lexicon, understand;"
            "words = build_lexicon(open_network('head_unit').knowledge);"
            "print(json.dumps([as_plain(understand(words, m.say)) for m in read_corpus('development')]))")
    assert child(code, "1") == child(code, "2")


def test_reading_words_loads_nothing_heavy() -> None:
    code = ("import sys; from diagnose.network import open_network; from diagnose.phrases import open_lexicon, understand;"
            "o = open_network('head_unit'); words = open_lexicon(o.copy_name, o.key, o.knowledge);"
            "understand(words, 'speker is ded, kind regards Pargeter');"
            "print([m for m in ('rapidfuzz', 'snowballstemmer', 'pgmpy', 'rich', 'typer') if m in sys.modules])")
    assert child(code).strip() == "[]"


def test_the_compiled_lexicon_is_the_built_one() -> None:
    opened = shipped()
    first = open_lexicon("test-words", opened.key, opened.knowledge)
    again = open_lexicon("test-words", opened.key, opened.knowledge)
    assert first == again == lexicon()


def test_examples_of_the_wording_module_run() -> None:
    result = doctest.testmod(wording)
    assert result.attempted >= 2
    assert not result.failed


# --- searching ---------------------------------------------------------------------------------------------------------


def test_search_finds_by_id_title_and_phrase() -> None:
    knowledge = shipped().knowledge
    assert search(knowledge, "whine with engine")[0][0] == "whine_with_engine"
    assert search(knowledge, "airbag lamp")[0][0] == "restraint_lamp_on"
    assert len(search(knowledge, "radio", most=5)) == 5
    assert search(knowledge, "") == []
