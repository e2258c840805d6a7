"""The trade's arithmetic of joints, fuses and wires: readings over plain numbers, their tables and where these come from.

One of the two modules where trade words stand in Python (readings.py is the other); see quantities.py for the frame.
"""

from __future__ import annotations

import math
from functools import partial

from diagnose.quantities import (
    CLAMP_AMPS,
    LABELS,
    MILLIVOLTS,
    THERMOMETER,
    VOLTS,
    Argument,
    Figure,
    Judgement,
    MeterError,
    Spec,
    band_likelihood,
    cite,
    held,
    interpolate,
    level_of,
    meter_likelihood,
    reading,
    short,
)
from diagnose.source import complaint

READINGS: dict[str, Spec] = {}
SOURCES = {
    **LABELS,
    "pin1": "workshop manual: amplifier pin readings, feed and earth pin each within 0.5 V of the battery post",
    "pin2": "workshop manual: amplifier pin table, the same 0.5 V at the earth pin",
    "drop1": "training page: volts lost by part of a circuit (earth 0.1, wire 0.2, switch 0.3 V)",
    "drop2": "workshop manual quoting an engineering society: more than 1.0 V anywhere is a fault",
    "drop3": "trade page: 5 % or 0.6 V for a whole circuit, both sides",
    "par3": "training page: key-off current excessive over 35 mA",
    "par2": "trade answer: under 50 mA one hour after shut-down",
    "fus1": "workshop page: resistance bands of regular blade fuses",
    "fus2": "training page: 10 A regular blade, 1 mV is 130 mA",
    "fus3": "trade journal: 15 A mini blade, 0.1 mV is 22 mA, 1.0 mV is 218 mA; imitation fuses spoil the method",
    "fus4": "data sheet of a regular blade fuse, read second-hand: opening times, 20 A has 3.38 milliohm",
    "fus5": "data sheet of a mini blade fuse, read second-hand: opening times, resistance, heat derating",
    "fus6": "ISO 8820-3 by its catalogue page: blade fuses of types C, E and F",
    "fus7": "club page: colours of blade fuses, 1 to 40 A",
    "fus8": "workshop manual: colours of blade fuses, high-current type included",
    "res1": "IEC 60228 as printed by a cable-engineering page: class 5 conductors, plain and tinned",
    "res2": "IEC 60228 as printed by a cable seller: temperature factors",
    "res3": "trade page: vehicle cable, ohm per metre and amperes",
    "amp2": "owners' mailing list: amperes by metric wire size",
    "tclass": "maker's cable specification: temperature classes A to H",
    "pvc2": "cord maker: PVC melts near 177 C on contact",
}
cited = partial(cite, SOURCES)  # the sources behind some keys


# ---- joints -----------------------------------------------------------------------------------------------------

DROP_LIMITS = {"pin": 0.5, "earth": 0.1, "wire": 0.2, "switch": 0.3, "circuit": 0.6}  # V; pin1/pin2, drop1, drop1, drop1, drop3
FAULT_DROP = 1.0  # V, drop2
LAMP_VOLTS = 12.0  # a lamp's watts are taken at this


@reading(
    READINGS, "Feed or earth drop under a known load",
    Argument("lost", "V", "volts lost between the battery post and the pin, load on", -16.0, 32.0),
    Argument("watts", "W", "the lamp used as load, watts at 12 V (21 W takes 1.75 A)", 1.0, 200.0),
    Argument("amps", "A", "current while measuring, if it was measured instead", 0.05, 100.0),
    Argument("supply", "V", "volts between the battery posts while measuring", 6.0, 16.0),
    Argument("other", "A", "another current to be judged", 0.0, 100.0),
    Argument("part", "", "what lies between the probes", choices=tuple(DROP_LIMITS)),
)
def voltage_drop(lost: float, watts: float = 21.0, amps: float | None = None, supply: float = 12.6, other: float = 10.0,
                 part: str = "pin", *, meter: MeterError = VOLTS) -> Judgement:
    """Class of a joint by the volts it loses under load, its resistance, and what it would lose at another current.

    Source: trade-facts 1.4; the classes are common practice over pin1 (0.5 V) and drop2 (1.0 V).
    """
    if abs(lost) > supply + 3.0 * meter.uncertainty(supply):
        raise complaint(f"{short(lost)} V cannot be lost from {short(supply)} V", "measure battery and pin again", key="lost")
    drop, limit, current = min(abs(lost), supply), DROP_LIMITS[part], watts / LAMP_VOLTS if amps is None else amps
    bands = {"good": (0.0, limit), "suspect": (limit, FAULT_DROP), "high_resistance": (FAULT_DROP, supply - 1.0),
             "dead": (supply - 1.0, supply)}
    level = level_of(drop, bands)
    figures = [Figure("volts lost", drop, "V"), Figure("limit for this part", limit, "V"), Figure("current", current, "A")]
    if level == "dead":
        sentence = f"Dead: under 1 V of {short(supply)} V arrives, so the path is open or nearly so."
    else:
        resistance = drop / current
        there = min(resistance * other, supply)
        figures += [Figure("joint resistance", resistance, "ohm"), Figure("lost at the other current", there, "V"),
                    Figure("left at the other current", supply - there, "V")]
        words = {"good": f"Good: {short(drop)} V lost, {short(limit)} V allowed",
                 "suspect": f"Suspect: {short(drop)} V lost where {short(limit)} V is allowed",
                 "high_resistance": f"High resistance: {short(drop)} V lost, and more than 1 V anywhere is a fault"}[level]
        sentence = (f"{words}; at {short(other)} A this path would lose {short(there)} V and leave "
                    f"{short(supply - there)} V.")
    return Judgement(
        tuple(figures), level, meter_likelihood(drop, meter, bands), sentence,
        "resistance = volts lost / amperes; loss at another current = resistance x that current, at most the supply",
        cited("pin1", "pin2", "drop1", "drop2", "drop3", "CP", "D"),
        "12 V systems, load on: a meter alone hardly loads the circuit and a single strand then reads full volts; a dimmed "
        "lamp takes less than its rated current, so the resistance is a lowest value unless the current was measured.")


# ---- fuses ------------------------------------------------------------------------------------------------------

# rating A: milliohm (middle of the band, lowest, highest printed). fus1; 10 A up to fus2's 7.7
REGULAR_RESISTANCE = {5.0: (18.0, 16.0, 20.0), 7.5: (11.5, 11.0, 12.0), 10.0: (7.05, 6.8, 7.7), 15.0: (4.65, 4.5, 4.8),
                      20.0: (3.3, 3.2, 3.4), 25.0: (2.95, 2.5, 3.4), 30.0: (1.82, 1.79, 1.85)}
MINI_RESISTANCE = {7.5: 10.85, 15.0: 4.58}  # milliohm, fus5
MINI_SPREAD = 0.10  # E: the two families' printed figures lie within this of each other
COLOURS = {1.0: "black", 2.0: "grey", 3.0: "violet", 4.0: "pink", 5.0: "tan", 7.5: "brown", 10.0: "red", 15.0: "light blue",
           20.0: "yellow", 25.0: "clear", 30.0: "light green", 35.0: "blue-green", 40.0: "orange"}  # fus7
HIGH_CURRENT_COLOURS = {20.0: "yellow", 30.0: "green", 40.0: "orange", 50.0: "red", 60.0: "blue"}  # fus8, type E
# per cent of rating: s (opens not before, not after), fus4 and fus5; "any" takes the widest figures printed anywhere
OPENING = {
    "regular": ((110.0, 360_000.0, math.inf), (135.0, 0.75, 600.0), (160.0, 0.25, 50.0), (200.0, 0.15, 5.0),
                (350.0, 0.08, 0.5), (600.0, 0.03, 0.15)),
    "mini": ((110.0, 360_000.0, math.inf), (135.0, 0.75, 600.0), (200.0, 0.15, 5.0), (350.0, 0.08, 0.5),
             (600.0, 0.03, 0.1)),
    "any": ((110.0, 360_000.0, math.inf), (135.0, 0.75, 1800.0), (200.0, 0.15, 5.0), (350.0, 0.04, 0.5),
            (600.0, 0.03, 0.15)),
}
OPENING_BANDS = {"carries": (0.0, 110.0), "only_heats": (110.0, 135.0), "opens": (135.0, 600.0)}  # % of rating
DERATING = ((20.0, 13.0 / 15.0), (100.0, 9.0 / 15.0))  # C: share of the rating, fus5 (15 A mini)
CONTINUOUS_SHARE = 0.75  # CP
KEY_OFF_BANDS = {"usual": (0.0, 50.0), "look_further": (50.0, 100.0), "high": (100.0, 1000.0)}  # mA, E in par1 to par5


def fuse_resistance(rating: float, family: str = "regular") -> tuple[float, float, float]:
    """(middle, lowest, highest) milliohm of a blade fuse; InputError for a rating the tables do not hold.

    A mini fuse without a printed figure of its own takes the regular one's band, a tenth wider on both sides (E).
    """
    if rating not in REGULAR_RESISTANCE:
        raise complaint(f"no resistance is known for a blade fuse of {rating:g} A",
                        f"known: {', '.join(f'{r:g}' for r in REGULAR_RESISTANCE)} A", key="rating")
    middle, low, high = REGULAR_RESISTANCE[rating]
    if family == "regular":
        return middle, low, high
    middle = MINI_RESISTANCE.get(rating, middle)
    return middle, min(low, middle) * (1.0 - MINI_SPREAD), max(high, middle) * (1.0 + MINI_SPREAD)


@reading(
    READINGS, "Current through a blade fuse from the millivolts across it",
    Argument("millivolts", "mV", "volts across the two test points of the fuse", -20_000.0, 20_000.0),
    Argument("rating", "A", "rating printed on the fuse", 1.0, 40.0),
    Argument("family", "", "size of the blade fuse", choices=("regular", "mini")),
)
def fuse_current(millivolts: float, rating: float, family: str = "regular", *, meter: MeterError = MILLIVOLTS) -> Judgement:
    """Milliamps through a fuse, with the band that the spread of fuse resistances leaves; trade-facts 1.8."""
    middle, low, high = fuse_resistance(rating, family)
    seen = abs(millivolts)
    milliamps = seen / middle * 1000.0
    if milliamps > 2000.0 * rating:
        raise complaint(f"{short(seen)} mV would be {short(milliamps / 1000.0)} A through a {rating:g} A fuse",
                        "the fuse is open, or the probes are not on its two test points", key="millivolts")
    lowest, highest = seen / high * 1000.0, seen / low * 1000.0
    at = held(milliamps, KEY_OFF_BANDS)
    spread = at * (middle / low - middle / high) / math.sqrt(12.0)
    uncertainty = math.hypot(meter.uncertainty(at * middle / 1000.0) / middle * 1000.0, spread)
    level = level_of(milliamps, KEY_OFF_BANDS)
    words = {"usual": "no more than a whole sleeping vehicle may take", "look_further": "worth following up",
             "high": "too much for a vehicle asleep"}[level]
    return Judgement(
        (Figure("current", milliamps, "mA"), Figure("lowest by fuse spread", lowest, "mA"),
         Figure("highest by fuse spread", highest, "mA"), Figure("fuse resistance", middle, "milliohm")),
        level, band_likelihood(at, uncertainty, KEY_OFF_BANDS),
        f"About {short(milliamps)} mA ({short(lowest)} to {short(highest)} mA by the spread of fuses), {words}.",
        "mA = mV / milliohm x 1000",
        cited("fus1", "fus2", "fus3", "fus4", "fus5", "par2", "E"),
        "Genuine blade fuses near room temperature, vehicle asleep for the judgement; small readings may be 30 % out (CP); "
        "imitation fuses break the method; the sign only tells which way the probes lie.")


def fuse_colour(rating: float, family: str = "regular") -> str:
    """Colour of a blade fuse by its rating in A; family regular, mini or high_current. InputError for a rating nobody makes."""
    table = HIGH_CURRENT_COLOURS if family == "high_current" else COLOURS
    if rating not in table:
        raise complaint(f"no blade fuse of {rating:g} A is made in this family",
                        f"made: {', '.join(f'{r:g}' for r in table)} A", key="rating")
    return table[rating]


def opening_window(percent: float, family: str = "any") -> tuple[float, float]:
    """Seconds (not before, not after) within which a blade fuse opens at a percentage of its rating.

    Opening time falls as the current rises, so the next printed point above gives what it certainly holds and the last
    one at or below what it certainly opens in; not after is infinite where nothing is promised.
    """
    rows = OPENING[family]
    not_before = next((first for at, first, _ in rows if percent <= at), 0.0)
    not_after = next((last for at, _, last in reversed(rows) if percent >= at), math.inf)
    return not_before, not_after


@reading(
    READINGS, "Blade fuse: colour, opening time at a current, what it carries in the heat",
    Argument("rating", "A", "rating printed on the fuse", 1.0, 60.0),
    Argument("current", "A", "current through it", 0.0, 5000.0),
    Argument("temperature", "C", "temperature around the fuse", -40.0, 100.0),
    Argument("family", "", "size of the blade fuse", choices=("regular", "mini", "any", "high_current")),
)
def blade_fuse(rating: float, current: float | None = None, temperature: float = 20.0, family: str = "any", *,
               meter: MeterError = CLAMP_AMPS) -> Judgement:
    """Colour, continuous current at a temperature and, if a current is given, when the fuse opens; trade-facts 2."""
    fuse = f"The {fuse_colour(rating, family)} {rating:g} A fuse"
    steady = rating * interpolate(DERATING, temperature)
    allowed = f"{short(steady)} A at {temperature:g} C"
    figures = [Figure("continuous at this temperature", steady, "A"),
               Figure("continuous by rule", rating * CONTINUOUS_SHARE, "A")]
    level, likelihood = "", {}
    if current is None:
        sentence = f"{fuse} should carry no more than {allowed} for long."
    else:
        percent = current / rating * 100.0
        level, at = level_of(percent, OPENING_BANDS), held(percent, OPENING_BANDS)
        likelihood = band_likelihood(at, meter.uncertainty(at * rating / 100.0) / rating * 100.0, OPENING_BANDS)
        not_before, not_after = opening_window(percent, "any" if family == "high_current" else family)
        figures = [Figure("share of rating", percent, "%"), *figures, Figure("opens not before", not_before, "s")]
        share = f"{short(current)} A ({short(percent)} %)"
        if level == "opens":
            figures.append(Figure("opens not after", not_after, "s"))
            first = f", but not before {short(not_before)} s" if not_before > 0.0 else ""
            sentence = f"{fuse} opens on {share} within {short(not_after)} s{first}."
        elif level == "only_heats":
            sentence = f"{fuse} may hold {share} for hours and only heat, since it must open from 135 % upward only."
        elif current > steady:
            sentence = f"{fuse} holds {share}, but for long it should carry no more than {allowed}."
        else:
            sentence = f"{fuse} carries {share}, within the {allowed} it may carry for long."
    return Judgement(
        tuple(figures), level, likelihood, sentence,
        "share = current / rating; opening times between printed points from the nearest point on the safe side; "
        "continuous current = rating x (13/15 at 20 C falling to 9/15 at 100 C)",
        cited("fus4", "fus5", "fus6", "fus7", "fus8", "CP", "D"),
        "Blade fuses of types C and F at room temperature; heat shortens all times; the derating was printed for one "
        "15 A mini fuse and is taken in proportion; imitation fuses may hold three times their rating; the printed number "
        "rules, the colour only helps.")


# ---- wires ------------------------------------------------------------------------------------------------------

# mm2: milliohm per metre at 20 C, at most; res1
CLASS_5 = {"plain": ((0.5, 39.0), (0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98), (4.0, 4.95), (6.0, 3.30), (10.0, 1.91),
                     (16.0, 1.21), (25.0, 0.78)),
           "tinned": ((0.5, 40.1), (0.75, 26.7), (1.0, 20.0), (1.5, 13.7), (2.5, 8.21), (4.0, 5.09), (6.0, 3.39),
                      (10.0, 1.95), (16.0, 1.24), (25.0, 0.795))}
COPPER_PER_KELVIN = 0.00393  # M; res2's factors fit 0.004
AMPACITY_LISTS = (  # mm2: A; res3 (below its smallest size in proportion), amp2
    ((0.5, 4.42), (0.65, 5.75), (1.0, 8.75), (1.5, 12.75), (2.0, 17.5), (2.5, 21.75), (3.0, 25.5)),
    ((0.5, 5.0), (0.75, 7.0), (1.0, 9.0), (1.5, 13.0), (2.0, 15.0), (2.5, 17.0), (6.0, 35.0), (25.0, 80.0)),
)
BUNDLE = ((3, 1.0), (6, 0.7), (24, 0.6), (math.inf, 0.5))  # loaded wires side by side, at most: factor, M
INSULATION = {"A": 85.0, "B": 100.0, "C": 125.0, "D": 150.0, "E": 175.0, "F": 200.0, "G": 225.0, "H": 250.0}  # C, tclass
PVC_MELTS = 177.0  # C on contact, pvc2


def wire_resistance(section: float, temperature: float = 20.0, cable: str = "plain") -> float:
    """Milliohm per metre of a copper wire of ``section`` mm2, at most; between sizes section x resistance is interpolated."""
    product = interpolate([(size, size * ohms) for size, ohms in CLASS_5[cable]], section)
    return product / section * (1.0 + COPPER_PER_KELVIN * (temperature - 20.0))


def ampacity(section: float, wires: float = 1.0) -> tuple[float, float]:
    """Amperes that the stricter and the more generous list allow a wire, with ``wires`` loaded wires in its bundle."""
    factor = next(share for most, share in BUNDLE if wires <= most)
    first, second = (interpolate(table, section) for table in AMPACITY_LISTS)
    # beyond the first list only the second speaks; the first's last figure still holds, as a thicker wire carries no less
    strict = min(first, second) if section <= AMPACITY_LISTS[0][-1][0] else second
    generous = max(first, second)
    return strict * factor, generous * factor


@reading(
    READINGS, "Wire: volts lost, heat, longest run, and whether a fuse protects it",
    Argument("section", "mm2", "copper section of the wire", 0.5, 25.0),
    Argument("length", "m", "length of the run, one way", 0.0, 50.0),
    Argument("current", "A", "current in the wire", 0.0, 300.0),
    Argument("temperature", "C", "temperature of the conductor", -40.0, 150.0),
    Argument("permitted", "V", "volts that may be lost", 0.01, 6.0),
    Argument("ways", "", "1 with the body as return, 2 with a wire back", 1.0, 2.0, whole=True),
    Argument("fuse", "A", "rating of the fuse at its source end", 0.5, 300.0),
    Argument("wires", "", "loaded wires in the same bundle", 1.0, 200.0, whole=True),
    Argument("cable", "", "strands plain or tinned", choices=("plain", "tinned")),
)
def wire(section: float, length: float, current: float, temperature: float = 20.0, permitted: float = 0.2, ways: float = 1.0,
         fuse: float | None = None, wires: float = 1.0, cable: str = "plain", *, meter: MeterError = CLAMP_AMPS) -> Judgement:
    """Volts lost and heat of a wire, its longest run for the volts permitted, and its fuse; trade-facts 5.1, 5.2."""
    per_metre = wire_resistance(section, temperature, cable) / 1000.0
    resistance = per_metre * length * ways
    lost = resistance * current
    strict, generous = ampacity(section, wires)
    figures = [Figure("volts lost", lost, "V"), Figure("heat", lost * current, "W"),
               Figure("heat per metre", per_metre * current**2, "W/m"), Figure("resistance", resistance * 1000.0, "milliohm"),
               Figure("ampacity, stricter list", strict, "A"), Figure("ampacity, other list", generous, "A")]
    bands = {"within": (0.0, permitted), "over": (permitted, 10.0 * permitted)}
    level = level_of(lost, bands)
    at = held(lost, bands)
    share = at / lost if lost > 0.0 else 1.0
    parts = [f"{short(lost)} V is lost, {'within' if level == 'within' else 'over'} the {short(permitted)} V permitted"]
    if current >= 0.001:
        longest = permitted / (per_metre * current * ways)
        figures.append(Figure("longest one-way run", longest, "m"))
        parts[0] += f", to which {short(longest)} m one way would keep"
    if current > generous:
        parts.append(f"{short(current)} A is more than this wire may carry ({short(strict)} to {short(generous)} A)")
    if fuse is not None:
        if fuse <= strict:
            parts.append(f"a {fuse:g} A fuse protects it")
        elif fuse > generous:
            parts.append(f"a {fuse:g} A fuse does not protect it (it may carry {short(strict)} to {short(generous)} A)")
        else:
            parts.append(f"a {fuse:g} A fuse lies between the lists ({short(strict)} and {short(generous)} A), so go lower")
    likelihood = band_likelihood(at, resistance * meter.uncertainty(current * share), bands)
    return Judgement(
        tuple(figures), level, likelihood, "; ".join(parts) + ".",
        "volts = milliohm/m x m x ways x A / 1000; milliohm/m = class 5 figure x (1 + 0.00393 x (C - 20)); heat = volts x A; "
        "fuse protects if its rating is not above ampacity x bundle factor (1, 0.7 from 4, 0.6 from 7, 0.5 above 24 wires)",
        cited("res1", "res2", "res3", "amp2", "CP", "M", "D"),
        "Copper; greatest resistance the standard allows, vehicle cable lies up to 5 % lower; amperes for single PVC wires in "
        "free air; a label on thin-wall wire is an insulation limit, not a permission.")


@reading(
    READINGS, "Insulation class that bears a temperature",
    Argument("temperature", "C", "highest temperature at the wire", -40.0, 600.0),
)
def insulation(temperature: float, *, meter: MeterError = THERMOMETER) -> Judgement:
    """The lowest class of wire insulation that bears a temperature; trade-facts 5.3."""
    edges = [-40.0, *INSULATION.values(), 600.0]
    bands = {name: (low, high) for name, low, high in zip([*INSULATION, "none"], edges[:-1], edges[1:], strict=True)}
    level = next((name for name, limit in INSULATION.items() if temperature <= limit), "none")
    words = f"class {level} ({INSULATION[level]:g} C) or better bears it" if level != "none" else "no class bears it"
    if temperature >= PVC_MELTS:
        words += ", and PVC melts on contact"
    elif temperature > INSULATION["B"]:
        words += ", and common dash wiring of class A or B does not"
    return Judgement(
        (Figure("temperature", temperature, "C"),), level, meter_likelihood(temperature, meter, bands),
        f"At {short(temperature)} C {words}.", "the first class whose limit is not below the temperature",
        cited("tclass", "pvc2", "M"),
        "Long-term temperature at the conductor; PVC softens well below its melting, and pressure makes it creep.")
