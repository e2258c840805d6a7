"""What every test may ask for: the shipped network, a small one as YAML text, a cache folder of its own."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from diagnose.knowledge import load_knowledge
from diagnose.network import Opened, build_network, open_network

# The same examples in every run, so that a failure can be repeated; HYPOTHESIS_PROFILE=search looks for new ones.
settings.register_profile("house", derandomize=True, deadline=None, database=None, max_examples=30)
settings.register_profile("search", deadline=None, max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "house"))

# A shell that starts the tests in the background ignores interrupts, and every program started here would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# Hundreds of programs are started from here; without their compiled modules each would be compiled anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

_PASS_OVER_PERMISSIONS = (1, 2, 3)  # Linux's numbers for DAC_OVERRIDE, DAC_READ_SEARCH, FOWNER (capabilities(7))
_DROP_FROM_BOUNDING_SET = 24  # prctl's name for it


def heed_permissions() -> None:
    """Between fork and exec: root, who may write anywhere whatever the permissions say, gives that up (Linux only)."""
    libc = ctypes.CDLL(None)
    for capability in _PASS_OVER_PERMISSIONS:
        libc.prctl(_DROP_FROM_BOUNDING_SET, capability, 0, 0, 0)  # refused to whoever is not root, and not needed there


def heeding_permissions(code: str, *arguments: str) -> str:
    """What this Python code prints in a process of its own that permissions bind, whoever runs the tests."""
    if not sys.platform.startswith("linux"):
        pytest.skip("permissions are taken away in Linux's way")
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False,
                          cwd=Path(__file__).resolve().parents[1], preexec_fn=heed_permissions)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    return done.stdout


# An invented network about a door bell: every kind of record once, small enough to work out on paper.
DOORBELL = {
    "network.yaml": """
network:
  id: doorbell
  title: Trouble with a battery door bell
  version: "1"
  object: bell
  areas: {supply: Supply, sounder: Sounder}
  defaults: {brings: 0.9, leak: 0.01, salience: 0.6, strength: 20}
  unlisted: {title: Something not in the list, prior: 0.05, link: 0.03}
  stop_threshold: {alarm: 0.02, otherwise: 0.06, asked: 0.15, do_not_use: 0.2}
  advice: {stop_now: Take the battery out., do_not_use: Leave it alone., normal: Carry on., unknown: Wait for us.}
  notice: Local codes and the maker's instructions go first.
  first_checks: [hot]
  people: {customer: The customer, fitter: The fitter, workshop: A workshop}
  reliability:
    customer: {volunteered: [0.98, 0.999], recall: [0.75, 0.85], look: [0.85, 0.92], meter: [0.88, 0.93],
               exchange: [0.85, 0.92]}
    fitter: {volunteered: [0.98, 0.999], recall: [0.85, 0.92], look: [0.92, 0.95], meter: [0.97, 0.98],
             exchange: [0.98, 0.98]}
    workshop: {volunteered: [1, 1], recall: [1, 1], look: [1, 1], meter: [1, 1], exchange: [1, 1]}
  answers_for: {workmanship: the fitting, part: the part, use: use}
  tools: {meter: multimeter}
  set_ups: {cover_off: {title: cover off, minutes: 2, who: [customer, fitter]}}
  meters:
    dc_volts: {unit: V, relative: 0, digits: 2, resolution: 0.1, lowest: -16, highest: 32}
    milliamps: {unit: mA, relative: 0.03, digits: 3, resolution: 1, lowest: 0, highest: 10000}
  parts: {battery: battery, wire: wire}
""",
    "findings.yaml": """
reports:
  silent:
    {title: Bell silent, area: sounder, ask: Does it not ring at all?, phrases: [does not ring], salience: 0.9}
  faint:
    {title: Bell faint, area: sounder, ask: Does it ring faintly?, phrases: [rings faintly], salience: 0.5, leak: 0.02}
  hot:
    {title: Bell hot, area: supply, ask: Does it get hot?, phrases: [gets hot], salience: 0.95}
  false_rings:
    {title: Rings by itself, area: sounder, ask: Does it ring by itself?, phrases: [rings by itself]}
checks:
  volts_at_bell:
    title: Volts at the bell
    area: supply
    ask: What does the meter show at the bell?
    how: {fitter: [Measure at the terminals.]}
    who: [fitter]
    tools: [meter]
    set_ups: [cover_off]
    minutes: 3
    method: meter
    levels: {good: all is well, low: too little, none: nothing}
    leak: {low: 0.02, none: 0.01}
    reading: {unit: V, quantity: volts, meter: dc_volts, bands: {good: [12.4, 15], low: [11.8, 12.4], none: [10, 11.8]}}
  idle_current:
    title: Current at rest
    area: supply
    ask: What current flows at rest?
    how: {fitter: [Measure in the battery lead.]}
    who: [fitter]
    minutes: 5
    method: meter
    levels: {usual: as it should be, high: too much}
    reading: {unit: mA, quantity: current, meter: milliamps, bands: {usual: [0, 50], high: [50, 1000]}}
  rings_when_bridged:
    title: Rings with the push bridged
    area: supply
    ask: Does it ring when the two wires of the push are held together?
    how: {customer: [Hold the two wires together.], fitter: [Bridge the push.]}
    who: [customer, fitter]
    minutes: 2
    method: exchange
    levels: {silent: it stays silent, rings: it rings}
circumstances:
  has_chime: {title: A second chime is fitted, area: sounder, ask: Is there a second chime?, base_rate: 0.3}
""",
    "causes.yaml": """
conditions:
  no_current:
    title: No current reaches the bell
    description: Nothing flows.
    shows: {silent: 0.95, volts_at_bell: {none: 0.9, low: 0.05}}
  weak_current:
    title: Too little current reaches the bell
    description: Little flows.
    shows: {faint: 0.8, silent: 0.1, volts_at_bell: {low: 0.7, none: 0.1}}
causes:
  flat_battery:
    title: Battery flat
    area: supply
    description: The battery is used up.
    origin: Age.
    prior: 0.3
    brings: {no_current: 0.6, weak_current: 0.7}
    links: {rings_when_bridged: 0.02}
    remedy: {summary: Put in a new one., steps: [Change it.], minutes: 5, bring: [battery], who: [customer],
             by_phone: yes, by_phone_how: Change it., verified: It rings.}
    answers_for: {use: 1.0}
    safety: normal
    source: estimate
  broken_wire:
    title: Wire broken
    area: supply
    description: The wire is broken.
    origin: Bending.
    prior: 0.15
    brings: {no_current: }
    links: {rings_when_bridged: 0.6, silent: 0.99}
    remedy: {summary: Run a new one., steps: [Replace it.], minutes: 20, bring: [wire], who: [fitter], by_phone: no,
             verified: It rings.}
    answers_for: {workmanship: 1.0}
    safety: normal
    source: estimate
  shorted_wire:
    title: Wire shorted
    area: supply
    description: Two wires touch.
    origin: A staple.
    prior: 0.04
    brings: {weak_current: 1.0}
    links: {hot: 0.5, idle_current: 0.9, false_rings: 0.3}
    remedy: {summary: Part them., steps: [Part them.], minutes: 15, bring: [wire], who: [fitter], by_phone: no,
             verified: It stays cool.}
    answers_for: {workmanship: 0.7, part: 0.3}
    safety: stop_now
    source: estimate
  chime_loads:
    title: The second chime takes too much
    area: sounder
    description: Two sounders on one battery.
    origin: An addition.
    prior: 0.06
    brings: {weak_current: 0.8}
    needs: [has_chime]
    remedy: {summary: Take it off., steps: [Take it off.], minutes: 6, bring: [], who: [customer], by_phone: partly,
             by_phone_how: Unplug it., verified: It rings.}
    answers_for: {use: 0.5, part: 0.5}
    safety: normal
    source: estimate
""",
}


def write_network(folder: Path, files: dict[str, str]) -> Path:
    """A network's files, name -> text, in ``folder``; gives the folder back."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def load_network(folder: Path) -> Opened:
    """Knowledge and arrays straight from the files, past any compiled copy."""
    knowledge = load_knowledge(folder)
    return Opened(knowledge, build_network(knowledge), "", "")


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Tests neither read nor write the compiled copies of whoever runs them."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(folder))
        yield folder


@pytest.fixture(scope="session", autouse=True)
def demonstration_log_as_it_is() -> Iterator[None]:
    """No test writes into the demonstration log; each works on a copy."""
    folder = Path(__file__).resolve().parent.parent / "cases"
    before = {path.name: path.read_bytes() for path in folder.glob("*.yaml")}
    yield
    assert {path.name: path.read_bytes() for path in folder.glob("*.yaml")} == before


@pytest.fixture(scope="session")
def head_unit(own_cache: Path) -> Opened:
    """The shipped network."""
    return open_network("head_unit")


@pytest.fixture(scope="session")
def doorbell(tmp_path_factory: pytest.TempPathFactory) -> Opened:
    """The small network above."""
    return load_network(write_network(tmp_path_factory.mktemp("doorbell"), DOORBELL))
