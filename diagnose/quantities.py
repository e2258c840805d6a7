"""Numbers with units: parsing, a meter's error, the likelihood of a number over named bands, and what a reading says.

This floor knows units and errors, no trade. A *reading* is a function over plain numbers that returns a Judgement; the
decorator ``reading`` refuses nonsense before it runs and keeps a Spec, from which a command can list the arguments,
parse texts and call the function without knowing it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import wraps
from itertools import pairwise
from typing import Any, NamedTuple, ParamSpec

from diagnose.source import InputError, Problem, complaint, nearest

NEGLIGIBLE = 1e-9  # a level this much less likely than the likeliest counts as ruled out
HARD = 1e-12  # an uncertainty below this share of the narrowest band is none
LABELS = {
    "CP": "common practice in the trade, no source",
    "M": "from memory, not verified",
    "E": "estimate by expert judgement",
    "D": "derived by arithmetic from the other figures",
}
P = ParamSpec("P")


def cite(sources: Mapping[str, str], *keys: str) -> dict[str, str]:
    """The sources behind the keys, in this order; KeyError for one that is not among them."""
    return {key: sources[key] for key in keys}


class MeterError(NamedTuple):
    """Error of a meter in its maker's usual form, taken as one standard deviation.

    relative: share of the reading (0.01 is 1 %); digits: counts of the last place; resolution: what one count is worth.
    """

    relative: float
    digits: float
    resolution: float

    def uncertainty(self, value: float) -> float:
        """Standard uncertainty of a reading, in its own unit."""
        return standard_uncertainty(value, self.relative, self.digits, self.resolution)


VOLTS = MeterError(0.01, 2, 0.01)
AC_VOLTS = MeterError(0.02, 3, 0.01)
MILLIVOLTS = MeterError(0.01, 2, 0.1)
CLAMP_MILLIAMPS = MeterError(0.03, 3, 1)
CLAMP_AMPS = MeterError(0.03, 3, 0.01)
OHMS = MeterError(0.015, 3, 0.1)
LOW_OHMS = MeterError(0.02, 3, 0.01)
THERMOMETER = MeterError(0.02, 2, 1)


class Figure(NamedTuple):
    """One number a reading works out: what it is, how much, in which unit."""

    name: str
    value: float
    unit: str


class Judgement(NamedTuple):
    """What a reading says.

    figures: the numbers, the principal one first. level: the class the number falls in. likelihood: level -> likelihood
    through the meter's error, the largest being 1. sentence: the judgement in one sentence. formula: how the figures
    came about. sources: key -> what it is. limits: where the judgement holds.
    """

    figures: tuple[Figure, ...]
    level: str
    likelihood: dict[str, float]
    sentence: str
    formula: str
    sources: dict[str, str]
    limits: str
    reading: str = ""

    @property
    def value(self) -> float:
        """The principal figure."""
        return self.figures[0].value

    @property
    def unit(self) -> str:
        """The unit of the principal figure."""
        return self.figures[0].unit

    def figure(self, name: str) -> float:
        """The value of a figure by name; ValueError if this judgement has none of that name."""
        for figure in self.figures:
            if figure.name == name:
                return figure.value
        raise ValueError(f"no figure {name!r} in {self.reading!r}; there are {', '.join(f.name for f in self.figures)}")

    def as_json(self) -> dict[str, Any]:
        """Everything in plain lists and dicts."""
        return {**self._asdict(), "figures": [figure._asdict() for figure in self.figures]}


class Argument(NamedTuple):
    """One argument of a reading: a number between lowest and highest in ``unit``, or one of the choices.

    default None means that nothing is assumed; required says that it must be given. whole: no fractions.
    """

    name: str
    unit: str
    meaning: str
    lowest: float = 0.0
    highest: float = 0.0
    choices: tuple[str, ...] = ()
    whole: bool = False
    default: float | str | None = None
    required: bool = True


class Spec(NamedTuple):
    """A reading as a command sees it."""

    name: str
    title: str
    arguments: tuple[Argument, ...]
    meter: MeterError
    call: Callable[..., Judgement]


def standard_uncertainty(value: float, relative: float, digits: float, resolution: float) -> float:
    """Standard uncertainty of a meter reading: (relative x |value| + digits x resolution) and the display's rounding.

    The rounding of a display of step d adds d / sqrt(12) in quadrature (methods 6.2).
    """
    return math.hypot(relative * abs(value) + digits * resolution, resolution / math.sqrt(12.0))


def band_likelihood(value: float, uncertainty: float, bands: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """Level -> likelihood of a number, the largest being 1; levels ruled out get 0.

    With standard uncertainty u and a true value uniform inside a band [a, b): [Phi((b - r) / u) - Phi((a - r) / u)] /
    (b - a), divided by the width so that a wide band does not win by being wide (methods 6.2). Bands may overlap. A
    value outside every band counts for the nearest one. Uncertainty 0 is hard evidence. ValueError for bands without
    width, and for a value that is no number.

    >>> band_likelihood(12.0, 0.0, {"low": (10.0, 12.0), "good": (12.0, 13.0)})
    {'low': 0.5, 'good': 1.0}
    """
    if not math.isfinite(value) or not uncertainty >= 0.0 or math.isinf(uncertainty) or not bands:
        raise ValueError(f"a finite value, an uncertainty not below 0 and bands are wanted: {value}, {uncertainty}, {bands}")
    for name, (low, high) in bands.items():
        if not 0.0 < high - low < math.inf:
            raise ValueError(f"the band of {name!r} has no sane width: {low} to {high}")
    if uncertainty < HARD * min(high - low for low, high in bands.values()):
        uncertainty = 0.0
    at = held(value, bands)
    density = {name: _density(low, high, at, uncertainty) for name, (low, high) in bands.items()}
    largest = max(density.values())
    return {name: d / largest if d >= largest * NEGLIGIBLE else 0.0 for name, d in density.items()}


def meter_likelihood(value: float, meter: MeterError, bands: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """``band_likelihood`` of a meter reading, its uncertainty from the meter's error.

    A reading outside every band is held at the nearest edge first: an error in per cent of a needlessly large reading
    would reach into every band.
    """
    at = held(value, bands)
    return band_likelihood(at, meter.uncertainty(at), bands)


def held(value: float, bands: Mapping[str, tuple[float, float]]) -> float:
    """The value, brought to the nearest edge if it lies outside every band."""
    return min((min(max(value, low), high) for low, high in bands.values()), key=lambda point: abs(point - value))


def _density(low: float, high: float, at: float, uncertainty: float) -> float:
    """Mean over a band of the Gaussian around ``at``, in units of 1 / uncertainty (of 1 if there is none).

    Taken in the tail that keeps its digits; over a band that is narrow against the uncertainty, from its middle.
    """
    if uncertainty == 0.0:
        return 0.5 * ((low <= at < high) + (low < at <= high)) / (high - low)
    z_low, z_high = (low - at) / uncertainty, (high - at) / uncertainty
    if z_high - z_low < 1e-5:
        return math.exp(-0.125 * (z_low + z_high) ** 2) / math.sqrt(2.0 * math.pi)
    if z_low > 0.0:
        z_low, z_high = -z_high, -z_low
    return 0.5 * (math.erfc(-z_high / math.sqrt(2.0)) - math.erfc(-z_low / math.sqrt(2.0))) / (z_high - z_low)


def level_of(value: float, bands: Mapping[str, tuple[float, float]]) -> str:
    """The first level whose band [low, high) holds the value, else the nearest one."""
    for name, (low, high) in bands.items():
        if low <= value < high:
            return name
    return min(bands, key=lambda name: max(bands[name][0] - value, value - bands[name][1]))


def interpolate(points: Sequence[tuple[float, float]], x: float) -> float:
    """Linear between the points (x rising), constant beyond the ends.

    >>> interpolate([(0.0, 10.0), (2.0, 20.0)], 0.5), interpolate([(0.0, 10.0), (2.0, 20.0)], 9.0)
    (12.5, 20.0)
    """
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]


def short(value: float, digits: int = 3) -> str:
    """A number for a sentence: ``digits`` significant ones, never an exponent, no trailing zeros.

    >>> short(0.28571), short(1234.5), short(12.0), short(12.345, 4)
    ('0.286', '1,234', '12', '12.35')
    """
    places = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    text = f"{value:,.{min(places, 12)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


# ---- units ------------------------------------------------------------------------------------------------------

_PREFIXES = {"u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6}
# canonical unit: (its names as people type them, the prefixes that make sense; M for mega only where it is used)
_PREFIXED = {
    "V": (("v", "volt", "volts"), "uµμmkK"),
    "A": (("a", "amp", "amps", "ampere", "amperes"), "uµμmkK"),
    "ohm": (("ohm", "ohms", "ω"), "uµμmkKM"),
    "W": (("w", "watt", "watts"), "mkK"),
    "Hz": (("hz", "hertz"), "kKM"),
    "Ah": (("ah",), "m"),
}
# dimensions without prefixes: name -> (factor, offset) to the first name's unit
_FIXED: dict[str, dict[str, tuple[float, float]]] = {
    "m": {"m": (1.0, 0.0), "metre": (1.0, 0.0), "metres": (1.0, 0.0), "meter": (1.0, 0.0), "meters": (1.0, 0.0),
          "mm": (1e-3, 0.0), "cm": (1e-2, 0.0), "km": (1e3, 0.0)},
    "s": {"s": (1.0, 0.0), "sec": (1.0, 0.0), "second": (1.0, 0.0), "seconds": (1.0, 0.0), "ms": (1e-3, 0.0),
          "min": (60.0, 0.0), "mins": (60.0, 0.0), "minute": (60.0, 0.0), "minutes": (60.0, 0.0),
          "h": (3600.0, 0.0), "hr": (3600.0, 0.0), "hour": (3600.0, 0.0), "hours": (3600.0, 0.0),
          "d": (86400.0, 0.0), "day": (86400.0, 0.0), "days": (86400.0, 0.0)},
    "C": {"c": (1.0, 0.0), "°c": (1.0, 0.0), "degc": (1.0, 0.0), "celsius": (1.0, 0.0), "°": (1.0, 0.0),
          "f": (5.0 / 9.0, -160.0 / 9.0), "°f": (5.0 / 9.0, -160.0 / 9.0), "degf": (5.0 / 9.0, -160.0 / 9.0),
          "fahrenheit": (5.0 / 9.0, -160.0 / 9.0), "k": (1.0, -273.15)},
    "K": {"k": (1.0, 0.0), "kelvin": (1.0, 0.0), "c": (1.0, 0.0), "°c": (1.0, 0.0), "f": (5.0 / 9.0, 0.0)},
    "mm2": {"mm2": (1.0, 0.0), "mm²": (1.0, 0.0), "mm^2": (1.0, 0.0), "sqmm": (1.0, 0.0), "qmm": (1.0, 0.0)},
    "%": {"%": (1.0, 0.0), "percent": (1.0, 0.0)},
    "rpm": {"rpm": (1.0, 0.0), "/min": (1.0, 0.0), "1/min": (1.0, 0.0), "r/min": (1.0, 0.0)},
}
_NUMBER = re.compile(r"([+-]?)\s*((?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)\s*"
                     r"((?:(?:1(?=/))?[A-Za-zµμΩω°²%/^][A-Za-zµμΩω°²%/^0-9]*)?)")
LONGEST_QUANTITY = 40  # characters of a number with its unit


def parse_quantity(text: str, unit: str, *, key: str = "") -> float:
    """The number in a text, in ``unit``; without a unit in the text it is taken to be in that unit.

    Decimal comma and decimal point are both read; ``1,200`` could be either and is refused. Prefixes as they stand on
    meters, case as people type it, but a capital M never means milli. Raises InputError (naming ``key``) for anything
    that is not one finite number with a unit that fits.

    >>> parse_quantity("86 mA", "A"), parse_quantity("2,5 mm2", "mm2"), parse_quantity("-5", "C")
    (0.086, 2.5, -5.0)
    """
    like = f"write it like '12.4 {unit}'" if unit else "write it like '3'"
    cleaned = text.strip().replace("\u2212", "-").replace("\u00a0", " ")
    match = _NUMBER.fullmatch(cleaned) if len(cleaned) <= LONGEST_QUANTITY else None
    if not match:
        raise complaint(f"{text[:LONGEST_QUANTITY]!r} is not a number with a unit", like, key=key)
    sign, digits, given = match.groups()
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", digits):
        raise complaint(f"{digits!r} may mean {digits.replace(',', '')} or {digits.replace(',', '.')}",
                        "write it without the comma, or with a point", key=key)
    number = float(digits.replace(",", ".")) * (-1.0 if sign == "-" else 1.0)
    if given and given != unit:
        number = _converted(number, given, unit, text, key)
    if not math.isfinite(number):
        raise complaint(f"{text[:LONGEST_QUANTITY]!r} is too large to be a reading", like, key=key)
    return number


def _converted(number: float, given: str, unit: str, text: str, key: str) -> float:
    """A number in the unit as typed, in ``unit``."""
    for dimension in _dimensions(unit):
        source, target = _scale(given, dimension), _scale(unit, dimension)
        if source and target:
            if source[1] != target[1]:
                return (number * source[0] + source[1] - target[1]) / target[0]
            # by the whole number of the two ratios: 86 mA is 0.086 A to the last digit, which 86 x 0.001 is not
            return number * (source[0] / target[0]) if source[0] >= target[0] else number / (target[0] / source[0])
    hint = f"give it in {unit}" if unit else "give it without a unit"
    raise complaint(f"the unit {given!r} in {text[:LONGEST_QUANTITY]!r} does not fit", hint, key=key)


def _dimensions(unit: str) -> list[str]:
    """The dimensions a target unit may belong to: itself if it is one, else all that know it."""
    known = [*_PREFIXED, *_FIXED]
    return [unit] if unit in known else [dimension for dimension in known if _scale(unit, dimension)]


def _scale(name: str, dimension: str) -> tuple[float, float] | None:
    """(factor, offset) from a unit's name to the unit of a dimension; None if it is not one of its names."""
    if dimension in _FIXED:
        return _FIXED[dimension].get(name.lower())
    names, prefixes = _PREFIXED[dimension]
    if name.lower() in names:
        return 1.0, 0.0
    if name[:1] in prefixes and name[:1] and name[1:].lower() in names:
        return _PREFIXES[name[:1]], 0.0
    return None


# ---- readings as functions --------------------------------------------------------------------------------------

_METER_ARGUMENTS = (
    Argument("percent", "%", "the meter's error, share of the reading", 0.0, 50.0, required=False),
    Argument("digits", "", "the meter's error, counts of the last place", 0.0, 100.0, required=False),
    Argument("resolution", "", "what one count of the meter is worth", 0.0, 100.0, required=False),
)


def reading(registry: dict[str, Spec], title: str, *arguments: Argument) -> Callable[
        [Callable[P, Judgement]], Callable[P, Judgement]]:
    """Makes a function a reading: its arguments are checked before it runs, and its Spec is put into the registry.

    The function names the arguments in the same order and ends with the keyword ``meter``; defaults are taken from its
    signature, so that they stand in one place. ValueError if names differ.
    """

    def decorate(function: Callable[P, Judgement]) -> Callable[P, Judgement]:
        code, name = function.__code__, function.__name__
        names = code.co_varnames[: code.co_argcount]
        if names != tuple(argument.name for argument in arguments):
            raise ValueError(f"{name}: the arguments {names} are not described in this order")
        defaults = function.__defaults__ or ()
        free = len(names) - len(defaults)
        described = tuple(argument._replace(default=defaults[i - free], required=False) if i >= free else argument
                          for i, argument in enumerate(arguments))

        @wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> Judgement:
            given = {**dict(zip(names, args, strict=False)), **kwargs}
            problems = [problem for argument in described if argument.name in given
                        for problem in _problems(argument, given[argument.name])]
            if problems:
                raise InputError(problems)
            return function(*args, **kwargs)._replace(reading=name)

        meter: MeterError = (function.__kwdefaults__ or {})["meter"]
        registry[name] = Spec(name, title, described, meter, checked)
        return checked

    return decorate


def _problems(argument: Argument, value: Any) -> list[Problem]:
    """What is wrong with the value of an argument: no problem, or one."""
    if value is None and argument.default is None and not argument.required:
        return []
    if argument.choices:
        if value in argument.choices:
            return []
        return [Problem("", 0, argument.name, f"{value!r} is not known here", nearest(str(value), argument.choices))]
    unit = f" {argument.unit}" if argument.unit else ""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < math.inf:
        return [Problem("", 0, argument.name, f"{value!r} is not a number", f"{argument.meaning}, in{unit or ' figures'}")]
    limits = f"{short(argument.lowest)} to {short(argument.highest)}{unit}"
    if not argument.lowest <= value <= argument.highest:
        return [Problem("", 0, argument.name, f"{value:g}{unit} cannot be: {argument.meaning}", f"it lies within {limits}")]
    if argument.whole and value != int(value):
        return [Problem("", 0, argument.name, f"{value:g} is not a whole number", f"it lies within {limits}")]
    return []


def call_with_texts(spec: Spec, texts: Iterable[str]) -> Judgement:
    """Run a reading on ``NAME=VALUE`` texts; bare values are those of the needed arguments, in their order. InputError that
    gathers all that is wrong with them."""
    known = {argument.name: argument for argument in (*spec.arguments, *_METER_ARGUMENTS)}
    given: dict[str, float | str] = {}
    problems: list[Problem] = []
    texts = list(texts)
    named = {text.partition("=")[0].strip() for text in texts if "=" in text}
    unnamed = (argument.name for argument in spec.arguments if argument.required and argument.name not in named)
    for text in texts:
        name, separator, value = (part.strip() for part in text.partition("="))
        if not separator:
            name, value = next(unnamed, ""), name
        if not name or not value:
            problems.append(Problem("", 0, "", f"{text[:60]!r} is not of the form NAME=VALUE",
                                    f"write for example {spec.arguments[0].name}=12"))
        elif name not in known:
            problems.append(Problem("", 0, spec.name, f"there is no argument {name[:60]!r}", nearest(name, known)))
        elif name in given:
            problems.append(Problem("", 0, name, "this argument is given twice", "keep one of them"))
        elif known[name].choices:
            given[name] = value.lower()
            problems += _problems(known[name], given[name])
        else:
            try:
                given[name] = parse_quantity(value, known[name].unit, key=name)
                problems += _problems(known[name], given[name])
            except InputError as error:
                given[name] = math.nan
                problems += error.problems
    for argument in spec.arguments:
        if argument.required and argument.name not in given:
            unit = f" {argument.unit}" if argument.unit else ""
            problems.append(Problem("", 0, spec.name, f"{argument.name} is missing: {argument.meaning}",
                                    f"add {argument.name}={argument.choices[0] if argument.choices else '...'}{unit}"))
    if problems:
        raise InputError(problems)
    meter = MeterError(float(given.pop("percent", spec.meter.relative * 100.0)) / 100.0,
                       float(given.pop("digits", spec.meter.digits)), float(given.pop("resolution", spec.meter.resolution)))
    return spec.call(**given, meter=meter)


def describe_spec(spec: Spec) -> dict[str, Any]:
    """Name, title and arguments of a reading in plain lists and dicts; the meter's error comes last."""
    errors = (spec.meter.relative * 100.0, spec.meter.digits, spec.meter.resolution)
    meter = [argument._replace(default=default) for argument, default in zip(_METER_ARGUMENTS, errors, strict=True)]
    return {"name": spec.name, "title": spec.title,
            "arguments": [argument._asdict() for argument in (*spec.arguments, *meter)]}
