"""The trade's arithmetic of battery, supply, sound and data: readings over plain numbers, and the registry of all readings.

Each reading returns a frozen Judgement (figures, level, likelihood over levels, a sentence, formula, sources, limits) and
refuses nonsense with InputError. Joints, fuses and wires stand in conductors.py; units and meter errors in quantities.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import partial
from typing import Any

from diagnose import conductors
from diagnose.conductors import KEY_OFF_BANDS
from diagnose.quantities import (
    AC_VOLTS,
    CLAMP_MILLIAMPS,
    LOW_OHMS,
    OHMS,
    VOLTS,
    Argument,
    Figure,
    Judgement,
    MeterError,
    Spec,
    band_likelihood,
    call_with_texts,
    cite,
    describe_spec,
    held,
    interpolate,
    level_of,
    meter_likelihood,
    parse_quantity,
    reading,
    short,
)
from diagnose.source import complaint, nearest

__all__ = ["READINGS", "SOURCES", "band_likelihood", "describe", "meter_likelihood", "parse_quantity", "run"]

READINGS: dict[str, Spec] = {}
SOURCES = {
    **conductors.SOURCES,
    "ocv1": "battery-trade figures: rested volts and acid density of a flooded battery at 27 C",
    "ocv2": "battery testing page: the same rounded for the workshop",
    "ocv3": "mailing list: one per cent of meter error is 0.12 V or about 15 % of charge",
    "ocv4": "published table of rested volts over temperature, as transcribed in a public data set",
    "temp1": "battery maker: 0.12 V less at -1 C, in proportion",
    "temp2": "workshop bulletin: add 0.10 V below 0 C, nothing above",
    "temp3": "charge charts of a battery page: little effect of temperature while standing",
    "rest": "battery page: rest 8 h, better 24 h, before the reading",
    "agm1": "question page: percentage and volts of an AGM battery",
    "agm2": "vehicle handbook: AGM charging table",
    "chg": "web page, weak: charging volts over temperature, 0.5 V between alternator and battery",
    "load1": "workshop manual: battery load test by temperature",
    "load2": "workshop manual of a second maker: battery load test by temperature",
    "load3": "workshop manual: load-test table down to -18 C",
    "crank": "workshop manual: cold cranking test, 9.6 V",
    "par1": "workshop manual: 10 to 30 mA five minutes after key-off, above 100 mA at first",
    "par4": "public-domain battery handbook: under 75 mA normal, over 150 mA runs batteries down",
    "par5": "training page: units stay awake 20 min to 2 h; 85 mA on 50 Ah",
    "par6": "trade page: worked figures on 60 Ah",
    "par7": "maker's bulletin quoted on a forum: Ah = 0.6 x reserve minutes, 40 % of it to no-start",
    "rc": "workshop manual: reserve minutes are the time to 10.5 V at 25 A and 27 C",
    "rad3": "fitting sheet: wake output below 150 mA",
    "rad4": "plug sheet: 400 mA for all wake outputs together",
    "iso1": "pin-out page: 150 to 300 mA at the aerial or amplifier output",
    "aer4": "workshop manual: limits of an aerial lead, 3.5 ohm for a low-capacitance type, base to body 0.6 ohm",
    "aer5": "workshop manual: aerial lead below 0.2 ohm end to end",
    "aer6": "workshop manual: aerial screen to battery negative by lead length",
    "spk1": "web page: ohms of loudspeakers on a meter",
    "spk2": "workshop manual: about 6.5 V at each output",
    "spk3": "workshop manual: 7 to 8 V at low volume",
    "btl": "encyclopaedia: bridge-tied load",
    "can1": "workshop manual: bus pair 60 ohm, 120 with an end missing, 0 shorted",
    "rip1": "instrument maker: 90 mV at 1,500 rpm, loaded",
    "rip2": "trade page: 50 to 100 mV",
    "rip3": "trade journal: 50 mV, some vehicles 100; a flat battery falsifies the test",
    "rip4": "training page: 0.25 V at the alternator",
    "rip5": "glossary: 0.5 V at the battery points to a diode",
}
cited = partial(cite, SOURCES)  # the sources behind some keys


# ---- battery ----------------------------------------------------------------------------------------------------

REST_VOLTS = {  # volts at rest and 27 C: per cent of charge
    "flooded": ((11.89, 0.0), (12.06, 25.0), (12.24, 50.0), (12.45, 75.0), (12.65, 100.0)),  # ocv1
    "calcium": ((11.89, 0.0), (12.085, 25.0), (12.29, 50.0), (12.525, 75.0), (12.75, 100.0)),  # M: 0.1 V more when full
    "agm": ((11.8, 0.0), (12.0, 25.0), (12.3, 50.0), (12.6, 75.0), (12.9, 100.0)),  # agm1, agm2
}
REST_SOURCES = {"flooded": ("ocv1",), "calcium": ("ocv1", "M"), "agm": ("agm1", "agm2")}
# C: volts that a rested battery shows more than at 26.7 C; ocv4
REST_SHIFT = ((-17.8, -0.134), (-12.2, -0.108), (-6.7, -0.084), (-1.1, -0.062), (4.4, -0.044), (10.0, -0.028), (15.6, -0.016),
              (21.1, -0.007), (26.7, 0.0), (32.2, 0.005), (37.8, 0.008), (43.3, 0.011), (48.9, 0.013))
QUARTERS = (("flat", "flat", 12.5), ("quarter", "a quarter", 37.5), ("half", "half", 62.5),
            ("three_quarters", "three quarters", 87.5), ("full", "full", math.inf))  # level, in words, below this per cent


@reading(
    READINGS, "State of charge of a rested battery",
    Argument("volts", "V", "volts between the battery posts after hours of rest", 0.0, 13.6),
    Argument("battery", "", "type of battery", choices=tuple(REST_VOLTS)),
    Argument("temperature", "C", "temperature of the battery", -18.0, 50.0),
)
def state_of_charge(volts: float, battery: str = "flooded", temperature: float = 26.7, *,
                    meter: MeterError = VOLTS) -> Judgement:
    """Per cent of charge with the range that meter and temperature leave (its stated error), in quarters.

    The printed temperature corrections run from nothing to twice ocv4's; that spread counts as uncertainty. Source:
    trade-facts 1.1.
    """
    table = REST_VOLTS[battery]
    shift = interpolate(REST_SHIFT, temperature)
    corrected = volts - shift
    uncertainty = math.hypot(meter.uncertainty(volts), shift / math.sqrt(3.0))
    charge, low, high = (interpolate(table, corrected + k * uncertainty) for k in (0.0, -1.0, 1.0))
    back = [(percent, at) for at, percent in table]
    edges = [11.0, *(interpolate(back, below) for _, _, below in QUARTERS[:-1]), table[-1][0] + 0.35]
    bands = {name: (edges[i], edges[i + 1]) for i, (name, _, _) in enumerate(QUARTERS)}
    words = [next(word for _, word, below in QUARTERS if percent < below) for percent in (low, high)]
    certain = words[0] if words[0] == words[1] else f"somewhere from {words[0]} to {words[1]}"
    surplus = ("; that is more than this type shows at rest, so think of surface charge"
               if corrected > table[-1][0] + uncertainty else "")
    return Judgement(
        (Figure("state of charge", charge, "%"), Figure("lowest by meter error", low, "%"),
         Figure("highest by meter error", high, "%"), Figure("volts at 27 C", corrected, "V"),
         Figure("standard uncertainty", uncertainty, "V")),
        level_of(corrected, bands), band_likelihood(corrected, uncertainty, bands),
        f"About {charge:.0f} % charged; allowing for the meter, {certain}{surplus}.",
        "per cent by linear interpolation in the table of the battery type, after taking off the temperature's share",
        cited(*REST_SOURCES[battery], "ocv2", "ocv3", "ocv4", "temp1", "temp2", "temp3", "rest"),
        "12 V lead-acid battery after at least 8 h, better 24 h, without load or charge; says nothing of capacity; the calcium "
        "table is from memory; do not read more than quarters from a cheap meter.")


CHARGING = {"conventional": (13.2, 15.0), "smart": (12.2, 15.2)}  # V, outside is trouble: CP, M
CHARGING_USUAL = (13.5, 14.8)  # V, chg
CHARGING_LEAD = 0.5  # V between alternator and battery, chg


@reading(
    READINGS, "Charging volts",
    Argument("volts", "V", "volts between the battery posts, engine running, lamps on", 8.0, 20.0),
    Argument("regulation", "", "how the alternator is regulated", choices=tuple(CHARGING)),
    Argument("alternator", "V", "volts at the alternator's post, same moment", 8.0, 20.0),
)
def charging(volts: float, regulation: str = "conventional", alternator: float | None = None, *,
             meter: MeterError = VOLTS) -> Judgement:
    """Whether the charging volts lie in the window of conventional or smart regulation; trade-facts 1.2."""
    lowest, highest = CHARGING[regulation]
    bands = {"in_window": (lowest, highest), "low": (9.0, lowest), "high": (highest, 18.0)}
    level = level_of(volts, bands)
    figures = [Figure("charging volts", volts, "V"), Figure("window from", lowest, "V"), Figure("window to", highest, "V")]
    if level != "in_window":
        word = f"{level} for {regulation} charging if it stays so for minutes"
    elif regulation == "smart":
        word = "possible with smart charging, which is judged over several minutes by the vehicle maker's window"
    elif CHARGING_USUAL[0] <= volts <= CHARGING_USUAL[1]:
        word = "as usual for conventional charging"
    else:
        word = "at the edge of conventional charging"
    lead = ""
    if alternator is not None:
        lost = alternator - volts
        figures.append(Figure("lost on the charging lead", lost, "V"))
        if abs(lost) > CHARGING_LEAD:
            lead = f"; {short(abs(lost))} V between alternator and battery is more than the 0.5 V allowed"
    return Judgement(
        tuple(figures), level, meter_likelihood(volts, meter, bands), f"{short(volts, 4)} V is {word}{lead}.",
        "volts against the window of the regulation; lead loss = alternator volts - battery volts", cited("chg", "CP", "M"),
        "12 V systems, engine at a fast idle; higher when cold; the vehicle maker's window goes first.")


# C: lowest volts after 15 s at half the cold-cranking current
LOAD_TEST = (
    ((-18.0, 8.5), (-12.0, 8.7), (-7.0, 8.9), (-1.0, 9.1), (4.0, 9.3), (10.0, 9.4), (16.0, 9.5), (20.0, 9.6)),  # load1, load3
    ((-18.0, 8.0), (-10.0, 8.8), (0.0, 9.1), (10.0, 9.4), (21.0, 9.6)),  # load2
)
CRANKING_FLOOR = 9.6  # V at 20 C and up: load1, load2, crank


@reading(
    READINGS, "Lowest battery volts while cranking",
    Argument("volts", "V", "lowest volts between the battery posts while the starter turns", 0.0, 13.6),
    Argument("temperature", "C", "temperature of the battery", -18.0, 60.0),
)
def cranking(volts: float, temperature: float = 20.0, *, meter: MeterError = VOLTS) -> Judgement:
    """Cranking volts against the load-test floor at a temperature; two makers' tables, their difference as tolerance.

    Half the difference is taken as a rectangular tolerance of the floor. Source: trade-facts 1.3.
    """
    low, high = sorted(interpolate(table, temperature) for table in LOAD_TEST)
    floor = (low + high) / 2.0
    uncertainty = math.hypot(meter.uncertainty(volts), (high - low) / math.sqrt(12.0))
    bands = {"passes": (floor, 13.6), "low": (0.0, floor)}
    about = f"{short(volts)} V while cranking at {temperature:g} C"
    if volts >= high:
        sentence = f"{about} is above the floor of {short(high)} V, so a radio that restarts points at its own feed."
    elif volts < low:
        sentence = f"{about} is below the floor of {short(low)} V and points to battery, starter or engine."
    else:
        sentence = f"{about} lies between the floors of two makers ({short(low)} and {short(high)} V), so it proves nothing."
    return Judgement(
        (Figure("cranking volts", volts, "V"), Figure("floor", floor, "V"), Figure("floor, lower table", low, "V"),
         Figure("floor, higher table", high, "V"), Figure("corrected to 20 C", volts + CRANKING_FLOOR - floor, "V")),
        level_of(volts, bands), band_likelihood(volts, uncertainty, bands), sentence,
        "floor = mean of both load-test tables at the temperature; corrected volts = volts + 9.6 - floor",
        cited("load1", "load2", "load3", "crank", "D"),
        "Load-test floors (15 s at half the cold-cranking current) used for a start; the first milliseconds go lower than a "
        "meter shows; the tables part at -18 C (8.5 and 8.0 V).")


RESERVE_RULES = {"0.6": 0.6, "0.417": 25.0 / 60.0}  # Ah per reserve minute: par7; 25 A from rc
SLEEP_MINUTES = 60.0  # par2


@reading(
    READINGS, "Key-off current, and days until no start and until flat",
    Argument("current", "mA", "current from the battery, all asleep", 0.0, 20_000.0),
    Argument("capacity", "Ah", "capacity of the battery", 5.0, 300.0),
    Argument("reserve", "min", "reserve minutes, if the capacity is not known", 10.0, 600.0),
    Argument("rule", "", "Ah per reserve minute: 0.6 (slow) or 0.417 (at 25 A)", choices=tuple(RESERVE_RULES)),
    Argument("charge", "%", "state of charge now", 0.0, 100.0),
    Argument("usable", "%", "share of the capacity that may go before it no longer starts", 1.0, 100.0),
    Argument("asleep", "min", "time since key-off", 0.0, 10_000.0),
)
def key_off_current(current: float, capacity: float | None = None, reserve: float | None = None, rule: str = "0.6",
                    charge: float = 100.0, usable: float = 40.0, asleep: float = 60.0, *,
                    meter: MeterError = CLAMP_MILLIAMPS) -> Judgement:
    """Class of a key-off current and how long the battery lasts at it; trade-facts 1.5 and 1.6."""
    if capacity is not None and reserve is not None:
        raise complaint("capacity and reserve minutes are both given", "give one of them", key="capacity")
    figures = [Figure("key-off current", current, "mA")]
    formula = "class by 50 and 100 mA"
    if reserve is not None:
        capacity = RESERVE_RULES[rule] * reserve
        figures += [Figure(f"capacity by {name} x reserve minutes", share * reserve, "Ah")
                    for name, share in RESERVE_RULES.items()]
        formula += f"; capacity = {rule} x reserve minutes"
    level = level_of(current, KEY_OFF_BANDS)
    words = {"usual": "ordinary for a vehicle asleep", "look_further": "more than most sleep at, so look further",
             "high": "too much for a vehicle asleep, so find what takes it"}[level]
    if asleep < SLEEP_MINUTES and level != "usual":
        words += f", unless it was still awake after {short(asleep)} min (wait {SLEEP_MINUTES:g})"
    days = ""
    if capacity is not None:
        to_flat = charge / 100.0 * capacity
        to_no_start = max(0.0, charge + usable - 100.0) / 100.0 * capacity
        figures += [Figure("Ah to no start", to_no_start, "Ah"), Figure("Ah to flat", to_flat, "Ah")]
        formula += "; days = Ah / A / 24, Ah to no start = (charge + usable - 100 %) x capacity, Ah to flat = charge x capacity"
        if current >= 0.1:
            spans = [ah / (current / 1000.0) / 24.0 for ah in (to_no_start, to_flat)]
            figures += [Figure("days to no start", spans[0], "days"), Figure("days to flat", spans[1], "days")]
            start = f"{short(spans[0])} days to no start" if to_no_start > 0.0 else "no charge to spare for a start"
            days = f"; from {short(charge)} % charge it leaves {start} and {short(spans[1])} days to flat"
    return Judgement(
        tuple(figures), level, meter_likelihood(current, meter, KEY_OFF_BANDS),
        f"{short(current)} mA is {words}{days}.", formula,
        cited("par1", "par2", "par3", "par4", "par5", "par6", "par7", "rc", "E", "D"),
        "After full sleep (20 min to 2 h by vehicle), latches closed by hand, key far away; printed limits run from 35 to 75 "
        "mA and the vehicle maker's own decides; self-discharge is left out (0.1 to 1 % a day).")


# ---- sound and noise --------------------------------------------------------------------------------------------

NOMINAL_OHMS = {"two_ohm": (2.0, 1.2, 2.0), "four_ohm": (4.0, 3.1, 4.0), "six_ohm": (6.0, 4.0, 6.0),
                "eight_ohm": (8.0, 5.7, 8.0)}  # nominal, printed range on a meter; spk1
LEAST_LOAD = 4.0  # ohm at a radio's own output, CP


@reading(
    READINGS, "Loudspeaker ohms",
    Argument("ohms", "ohm", "ohms across the pair, unit unplugged", 0.0, 50_000_000.0),
    Argument("probes", "ohm", "ohms with the probes held together, to be taken off", 0.0, 5.0),
    Argument("parallel", "", "number of such loudspeakers on one output", 1.0, 8.0, whole=True),
)
def speaker(ohms: float, probes: float = 0.0, parallel: float = 1.0, *, meter: MeterError = LOW_OHMS) -> Judgement:
    """Nominal impedance class of a loudspeaker from its ohms, and the load of several in parallel; trade-facts 4."""
    clean = max(0.0, ohms - probes)
    # the gaps between the printed ranges are shared by their neighbours
    bands = {"shorted": (0.0, 0.5), "below_two_ohm": (0.5, 1.2), "two_ohm": (1.2, 2.55), "four_ohm": (2.55, 4.0),
             "six_ohm": (4.0, 6.0), "eight_ohm": (5.7, 10.0), "open": (10.0, 100.0)}
    level = level_of(clean, bands)
    uncertainty = math.hypot(meter.uncertainty(held(clean, bands)), meter.uncertainty(probes) if probes else 0.0)
    fits = [name for name, (_, low, high) in NOMINAL_OHMS.items() if low <= clean <= high]
    figures = [Figure("ohms", clean, "ohm")]
    if level in NOMINAL_OHMS:
        nominal = NOMINAL_OHMS[level if level in fits or not fits else fits[0]][0]
        load = nominal / parallel
        figures += [Figure("nominal impedance", nominal, "ohm"), Figure("load", load, "ohm")]
        kinds = " or ".join(f"{NOMINAL_OHMS[name][0]:g}" for name in fits) or f"{nominal:g}"
        doubt = "" if fits else ", though between the usual ranges"
        lot = f" by {parallel:g} in parallel" if parallel > 1 else ""
        enough = "enough" if load >= LEAST_LOAD else "too low"
        sentence = (f"{short(clean)} ohm on the meter is a {kinds} ohm loudspeaker{doubt}; {short(load)} ohm of load{lot} is "
                    f"{enough} for an output made for {LEAST_LOAD:g} ohm.")
    else:
        words = {"shorted": "a short between the two wires or in the coil", "open": "an open wire, coil or connection",
                 "below_two_ohm": "too low for a radio's own output unless its leaflet allows it"}[level]
        sentence = f"{short(clean)} ohm is {words}."
    return Judgement(
        tuple(figures), level, band_likelihood(held(clean, bands), uncertainty, bands), sentence,
        "ohms = reading - probes; load = nominal impedance / number in parallel", cited("spk1", "CP", "D"),
        "Direct-current ohms of a passive loudspeaker, unplugged from the unit; not a tweeter behind a capacitor; some factory "
        "loudspeakers are 1 to 2 ohm.")


@reading(
    READINGS, "Rest volts of an amplifier output pair",
    Argument("plus", "V", "volts of the + output to earth, no sound", -1.0, 18.0),
    Argument("minus", "V", "volts of the - output to earth, no sound", -1.0, 18.0),
    Argument("supply", "V", "volts at the unit's feed", 8.0, 16.0),
)
def output_bias(plus: float, minus: float, supply: float = 13.0, *, meter: MeterError = VOLTS) -> Judgement:
    """Whether both outputs of a bridge pair rest near half the supply and together; trade-facts 4."""
    for name, value in (("plus", plus), ("minus", minus)):
        if value > supply + 3.0 * meter.uncertainty(supply) + 0.2:
            raise complaint(f"{short(value)} V is more than the supply of {short(supply)} V", "measure again", key=name)
    apart, upper = abs(plus - minus), max(plus, minus, 0.0)
    off = band_likelihood(upper, meter.uncertainty(upper), {"off": (0.0, 1.0), "on": (1.0, supply)})
    together = band_likelihood(apart, math.hypot(meter.uncertainty(plus), meter.uncertainty(minus)),
                               {"half_supply": (0.0, 0.3), "at_rail": (0.3, supply)})
    joint = {**{name: off["on"] * value for name, value in together.items()}, "off": off["off"]}
    level = "off" if upper < 1.0 else "half_supply" if apart < 0.3 else "at_rail"
    middle = (plus + minus) / 2.0
    words = {"half_supply": f"rest together near {short(middle)} V, where half of {short(supply)} V is expected",
             "at_rail": f"rest {short(apart)} V apart, which points to a failed stage or a short on one of them",
             "off": "rest near 0 V, so the amplifier is off, muted in hardware or unfed"}[level]
    largest = max(joint.values())
    return Judgement(
        (Figure("volts apart", apart, "V"), Figure("half the supply", supply / 2.0, "V"), Figure("+ output", plus, "V"),
         Figure("- output", minus, "V")),
        level, {name: value / largest for name, value in joint.items()}, f"The two outputs {words}.",
        "apart = |plus - minus|; expected volts = supply / 2", cited("spk2", "spk3", "btl", "M"),
        "Bridge-tied outputs, loudspeakers connected, volume down; printed figures lie from 6.5 V (13 V supply) to 8 V; "
        "neither output may touch earth while measuring.")


RIPPLE_SUSPECT = {"battery": 0.1, "alternator": 0.25}  # V AC: rip1, rip2, rip4
RIPPLE_FAILED = 0.5  # V AC, rip5


@reading(
    READINGS, "Alternator ripple, and the note it would make",
    Argument("volts", "V", "AC volts, DC kept out, lamps and blower on", 0.0, 30.0),
    Argument("rpm", "rpm", "engine speed", 300.0, 8000.0),
    Argument("pulley", "", "alternator turns for one of the engine", 1.0, 5.0),
    Argument("pole_pairs", "", "pole pairs of the alternator", 4.0, 10.0, whole=True),
    Argument("place", "", "where it was measured", choices=tuple(RIPPLE_SUSPECT)),
)
def ripple(volts: float, rpm: float = 2000.0, pulley: float = 2.5, pole_pairs: float = 6.0, place: str = "battery", *,
           meter: MeterError = AC_VOLTS) -> Judgement:
    """Class of the alternator's ripple volts, and the frequency to listen for; trade-facts 6."""
    suspect = RIPPLE_SUSPECT[place]
    bands = {"good": (0.0, suspect), "suspect": (suspect, RIPPLE_FAILED), "failed": (RIPPLE_FAILED, 5.0)}
    level = level_of(volts, bands)
    frequency = 6.0 * pole_pairs * pulley * rpm / 60.0
    words = {"good": "no more than usual", "suspect": "more than most makers allow", "failed": "as with a failed diode"}[level]
    return Judgement(
        (Figure("ripple", volts, "V"), Figure("expected frequency", frequency, "Hz")), level,
        meter_likelihood(volts, meter, bands),
        f"{short(volts)} V of ripple at the {place} is {words}; at {short(rpm, 4)} rpm it whines near {short(frequency)} Hz.",
        "frequency = 6 x pole pairs x alternator turns per second", cited("rip1", "rip2", "rip3", "rip4", "rip5", "M", "D"),
        "1,500 to 2,000 rpm, loaded, battery not flat; printed limits run from 0.05 to 0.5 V by place and maker; the pulley "
        "ratio and the pole pairs are usual values, not this vehicle's.")


# ---- data, wake, aerial -----------------------------------------------------------------------------------------

TERMINATOR = 120.0  # ohm at each end of a bus pair, can1


@reading(READINGS, "Ohms of a data bus pair", Argument("ohms", "ohm", "ohms across the pair, battery off", 0.0, 50_000_000.0))
def bus_pair(ohms: float, *, meter: MeterError = OHMS) -> Judgement:
    """Whether both ends of a bus pair are there; trade-facts 3.5 and 9."""
    bands = {"good": (50.0, 75.0), "one_end_missing": (75.0, 200.0), "open": (200.0, 2000.0), "shorted": (0.0, 50.0)}
    level = level_of(ohms, bands)
    words = {"good": "both ends are there", "one_end_missing": "one end is missing", "open": "the pair is open here",
             "shorted": "the wires touch, or something loads the pair"}[level]
    figures = [Figure("ohms", ohms, "ohm")]
    if ohms >= 1.0:
        figures.append(Figure("ends seen", TERMINATOR / ohms, ""))
    return Judgement(
        tuple(figures), level, meter_likelihood(ohms, meter, bands),
        f"{short(ohms)} ohm across the pair: {words}.", "two ends of 120 ohm in parallel = 60 ohm; ends seen = 120 / ohms",
        cited("can1", "D"), "Battery disconnected, two-wire bus with an end resistor at both ends; for trained hands only.")


WAKE_SAFE, WAKE_MOST = 150.0, 300.0  # mA: rad3, iso1


@reading(READINGS, "Current drawn from a wake output", Argument("current", "mA", "current in the wake wire", 0.0, 20_000.0))
def wake_current(current: float, *, meter: MeterError = CLAMP_MILLIAMPS) -> Judgement:
    """Whether a wake output is overloaded; trade-facts 1.7."""
    bands = {"safe": (0.0, WAKE_SAFE), "by_leaflet": (WAKE_SAFE, WAKE_MOST), "over": (WAKE_MOST, 3000.0)}
    level = level_of(current, bands)
    words = {"safe": "within what every output bears", "by_leaflet": "more than 150 mA, which the unit's leaflet must allow",
             "over": "too much for a wake output, so fit a relay"}[level]
    return Judgement(
        (Figure("current", current, "mA"),), level, meter_likelihood(current, meter, bands),
        f"{short(current)} mA is {words}.", "class by 150 and 300 mA", cited("rad3", "iso1", "rad4", "CP"),
        "Blue or blue-white output; one plug sheet allows 400 mA for all of them together; a motor needs a relay.")


AERIAL_LIMITS = {"lead": 0.2, "low_capacitance_lead": 3.5, "base_to_body": 0.6}  # ohm: aer5, aer4, aer4
SCREEN_LIMITS = ((1.5, 0.035), (4.0, 0.060), (6.0, 0.085))  # m of lead, up to: ohm from screen to battery negative; aer6


@reading(
    READINGS, "Ohms of an aerial lead, its screen or its foot",
    Argument("ohms", "ohm", "ohms read, probes taken off", 0.0, 50_000_000.0),
    Argument("part", "", "what lies between the probes", choices=(*AERIAL_LIMITS, "screen_to_battery")),
    Argument("length", "m", "length of the lead, for its screen", 0.1, 6.0),
)
def aerial_lead(ohms: float, part: str = "lead", length: float = 4.0, *, meter: MeterError = LOW_OHMS) -> Judgement:
    """Whether an aerial lead, end to end, or its earth is good; trade-facts 3.7."""
    limit = AERIAL_LIMITS[part] if part in AERIAL_LIMITS else next(ohm for most, ohm in SCREEN_LIMITS if length <= most)
    bands = {"good": (0.0, limit), "high": (limit, 20.0 * limit), "open": (20.0 * limit, 400.0 * limit)}
    level = level_of(ohms, bands)
    words = {"good": "good", "high": "too high, so look at plug and crimp", "open": "open"}[level]
    return Judgement(
        (Figure("ohms", ohms, "ohm"), Figure("limit", limit, "ohm")), level,
        meter_likelihood(ohms, meter, bands),
        f"{short(ohms)} ohm is {words} ({short(limit)} ohm allowed for {part.replace('_', ' ')}).",
        "ohms against the limit of the part", cited("aer4", "aer5", "aer6"),
        "Both ends off for a lead; no continuity between inner and screen; no change when flexed; below 0.1 ohm use a meter "
        "that shows milliohms.")


# ---- registry ---------------------------------------------------------------------------------------------------

READINGS |= conductors.READINGS


def describe(name: str | None = None) -> list[dict[str, Any]]:
    """Name, title and arguments of one reading or of all, in plain lists and dicts; InputError for an unknown name."""
    return [describe_spec(spec) for spec in ([_spec(name)] if name is not None else READINGS.values())]


def run(name: str, texts: Iterable[str]) -> Judgement:
    """Run a reading by name on ``NAME=VALUE`` texts, or bare values for what it needs, in order; InputError that gathers all
    that is wrong with them.

    >>> run("bus_pair", ["ohms=0.12 kohm"]).level
    'one_end_missing'
    >>> run("bus_pair", ["120ohm"]).level
    'one_end_missing'
    """
    return call_with_texts(_spec(name), texts)


def _spec(name: str) -> Spec:
    if name not in READINGS:
        raise complaint(f"there is no reading {name[:60]!r}", nearest(name, READINGS), key="reading")
    return READINGS[name]
