"""A tariff in plain words: one short sentence for each charge and each clause, in the order of the bill."""

import datetime as dt
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_clauses import (
    CapacityCharge,
    DemandCharge,
    EnergyCharge,
    Event,
    EventPayment,
    FixedCharge,
    Measured,
    PricedEnergy,
    PriceSeries,
    Ratchet,
    ReactiveCharge,
    Tier,
    When,
)
from crestfall.scenario.tariff_file import ALL_LINES, GROUPS

DAYS = {
    "mon": "Monday",
    "tue": "Tuesday",
    "wed": "Wednesday",
    "thu": "Thursday",
    "fri": "Friday",
    "sat": "Saturday",
    "sun": "Sunday",
}
ON_HOLIDAYS = {
    "as_weekday": "holidays as their weekday",
    "never": "but not on holidays",
    "always": "and all holidays",
}
CHARGES_FROM = {
    "pv": "A battery may charge no more than the PV of the moment.",
    "pv_surplus": "A battery may charge no more than the PV beyond the load of the moment.",
}
BATTERY_EXPORTS = {
    "unpaid": "Only PV beyond the load is paid; other energy may leave the site and earns nothing.",
    "forbidden": "Only PV beyond the load may leave the site, nothing from a battery.",
}

# What each group of the bill is called, in the order of the bill.
GROUP_HEADINGS = {
    "energy": "Energy",
    "demand": "Demand",
    "capacity": "Contracted capacity",
    "coincident": "Demand at named times",
    "events": "Payments for using less",
    "reactive": "Reactive power",
    "export": "Export",
    "fixed": "Fixed amounts",
    "minimum": "Minimum bill",
    "surcharge": "Surcharges",
}

Section = tuple[str, list[str]]  # heading and sentences; a sentence that begins with a space explains the one before


def tariff_words(tariff: TariffFile, *, width: int | None = None) -> list[str]:
    """
    Say in plain words what a tariff file says.

    Parameters
    ----------
    tariff : TariffFile
        The tariff.
    width : int, optional
        Columns of the terminal, within which long sentences are broken; left out: each sentence is one line.

    Returns
    -------
    list of str
        Lines of text: the title, then headings with indented sentences, in the order of the bill.
    """
    head = [tariff.title, f"Prices in {tariff.currency}, valid from {tariff.valid_from}.", *_for_whom(tariff)]
    lines = [part for text in head for part in _wrapped(text, 0, width)]
    for heading, sentences in _sections(tariff):
        if not sentences:
            continue
        lines += ["", *_wrapped(heading, 0, width)]
        for sentence in sentences:
            lines += _wrapped(sentence.strip(), 4 if sentence.startswith(" ") else 2, width)
    return lines


def _wrapped(text: str, indent: int, width: int | None) -> list[str]:
    first, later = " " * indent, " " * (indent + 4 if indent else 0)
    if width is None:
        return [first + text]
    return textwrap.wrap(text, max(width, 40), initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _sections(tariff: TariffFile) -> Iterator[Section]:
    sentences: dict[str, Iterable[str]] = {
        "energy": _energy(tariff),
        "demand": (text for charge in tariff.demand_charges for text in _demand(charge, tariff)),
        "capacity": (text for charge in tariff.capacity_charges for text in _capacity(charge, tariff)),
        "coincident": _coincident(tariff),
        "events": (text for payment in tariff.event_payments for text in _events(payment, tariff)),
        "reactive": (_reactive(charge, tariff) for charge in tariff.reactive_charges),
        "fixed": (_fixed(charge, tariff) for charge in tariff.fixed_charges),
        "export": _export(tariff),
        "minimum": _minimum(tariff),
        "surcharge": _surcharges(tariff),
    }
    yield "Calendar", list(_calendar(tariff))
    yield from ((heading, list(sentences[group])) for group, heading in GROUP_HEADINGS.items())
    yield "Rounding", list(_rounding(tariff))
    yield "Later years", list(_escalation(tariff))


def _for_whom(tariff: TariffFile) -> Iterator[str]:
    hours = tariff.hours_of_use
    least = f"at least {_number(hours.at_least_h)}" if hours.at_least_h else ""
    below = f"less than {_number(hours.below_h)}" if hours.below_h is not None else ""
    if least or below:
        yield (
            f"For sites with {' and '.join(filter(None, (least, below)))} hours of use a year"
            " (imported kWh over the year's highest kW)."
        )


# --- calendar ---------------------------------------------------------------------------------------------------------


def _calendar(tariff: TariffFile) -> Iterator[str]:
    for name, season in tariff.seasons.items():
        yield f"{_plain(name)}: {_month_day(season.first_day)} to {_month_day(season.last_day)}."
    for name, day_type in tariff.day_types.items():
        yield f"{_plain(name)}: {_weekdays(day_type.weekdays)}, {ON_HOLIDAYS[day_type.on_holidays]}."
    yield from _holidays(tariff)
    billing = tariff.billing
    if billing.reading_dates:
        yield f"Billing periods begin on {_listed(map(str, billing.reading_dates))}."
    elif billing.reading_day != 1:
        yield f"Billing periods begin on day {billing.reading_day} of each month and bear the date of that day."
    else:
        yield "Billing periods are calendar months."
    if billing.standard_days is not None:
        yield f"Amounts, demand rates and block sizes hold for {billing.standard_days} days, whatever the period has."
    if not billing.prorate:
        yield "A part of a period costs as much as a whole one."
    if tariff.split_steps:
        yield "A step of the data that a window cuts is shared out by time."


def _holidays(tariff: TariffFile) -> Iterator[str]:
    ask = tariff.holidays
    if ask.country is not None:
        place = ask.country + (f" ({ask.subdivision})" if ask.subdivision else "")
        which = "the public holidays" if ask.only is None else f"the public holidays {_listed(ask.only)}"
        yield f"Holidays are {which} of {place}."
    own = [*map(_month_day, ask.every_year), *map(str, ask.extra_dates)]
    if own:
        yield f"{'Further holidays' if ask.country else 'Holidays'} are {_listed(own)}."
    moves = [("Saturday", ask.saturday_moves_to), ("Sunday", ask.sunday_moves_to)]
    for day, to in moves:
        if to != "stays":
            yield f"A holiday that falls on a {day} is kept on {to.capitalize()}."


def _weekdays(days: Sequence[str]) -> str:
    order = list(DAYS)
    at = sorted(order.index(day) for day in days)
    if not at:
        return "no weekday"
    if len(at) == len(order):
        return "every day of the week"
    if len(at) > 2 and at == list(range(at[0], at[-1] + 1)):
        return f"{DAYS[order[at[0]]]} to {DAYS[order[at[-1]]]}"
    return _listed(DAYS[order[i]] for i in at)


# --- what is used -----------------------------------------------------------------------------------------------------


def _energy(tariff: TariffFile) -> Iterator[str]:
    components = list(dict.fromkeys(charge.component for charge in tariff.energy_charges))
    if len(components) > 1:
        yield f"One kWh costs the sum of {len(components)} parts: {_listed(components)}."
    for charge in tariff.energy_charges:
        is_alone = [other.component for other in tariff.energy_charges].count(charge.component) == 1
        when = _when(charge.when, "at all times" if is_alone else "at all other times")
        part = f" (part {charge.component})" if len(components) > 1 else ""
        price = _tiers(charge.tiers, charge, tariff) if charge.tiers else _price(charge, tariff)
        yield f"{charge.name}{part}: {price}, {when}."


def _price(charge: PricedEnergy, tariff: TariffFile) -> str:
    if charge.price_series is not None:
        return _series(charge.price_series, tariff.currency)
    return f"{_money(charge.rate_per_kwh or 0.0)} {tariff.currency} per kWh"


def _series(series: PriceSeries, currency: str) -> str:
    unit = "kWh" if series.unit == "per_kwh" else "MWh"
    parts = [f"the price in {series.file} (column {series.column}, {currency} per {unit})"]
    if series.multiplier != 1:
        parts.append(f"times {_number(series.multiplier)}")
    if series.adder_per_kwh:
        sign = "plus" if series.adder_per_kwh > 0 else "minus"
        parts.append(f"{sign} {_money(abs(series.adder_per_kwh))} {currency} per kWh")
    bounds = [("at least", series.floor_per_kwh), ("at most", series.cap_per_kwh)]
    parts += [f"{word} {_money(bound)} {currency} per kWh" for word, bound in bounds if bound is not None]
    return ", ".join(parts)


def _tiers(tiers: Sequence[Tier], charge: EnergyCharge, tariff: TariffFile) -> str:
    period = "year" if charge.tier_period == "year" else _period_word(tariff)
    texts = []
    for number, tier in enumerate(tiers):
        price = f"at {_money(tier.rate_per_kwh)}" + (f" {tariff.currency} per kWh" if number == 0 else "")
        end = tier.upto_kwh if tier.upto_kwh is not None else tier.upto_hours
        if end is None:
            texts.append(f"then the rest {price}")
        elif number == 0:
            first = f"{_number(end)} kWh" if charge.hours_of is None else f"{_number(end)} hours of use"
            texts.append(f"first {first} of a {period} {price}")
        else:
            texts.append(f"then up to {_number(end)} {'kWh' if charge.hours_of is None else 'hours'} {price}")
    counted = "" if charge.hours_of is None else f" (hours of use: kWh over the billed peak of '{charge.hours_of}')"
    return ", ".join(texts) + counted


def _demand(charge: DemandCharge, tariff: TariffFile) -> Iterator[str]:
    unit = charge.unit
    yield f"{charge.name}: {_rate(charge, tariff)} {_highest(charge, tariff)}, {_when(charge.when, 'at any time')}."
    if charge.power_factor_target_frac is not None:
        yield (
            f"  At a power factor below {_number(charge.power_factor_target_frac)} the kW are billed times"
            f" {_number(charge.power_factor_target_frac)} over the actual one."
        )
    if charge.ratchet is not None:
        yield from (f"  {text}" for text in _ratchet(charge.ratchet, charge, tariff))
    if charge.minimum_demand:
        yield f"  At least {_number(charge.minimum_demand)} {unit} are billed."
    if charge.free_demand:
        yield f"  Of what is billed, the first {_number(charge.free_demand)} {unit} cost nothing."


def _ratchet(ratchet: Ratchet, charge: DemandCharge, tariff: TariffFile) -> Iterator[str]:
    word = _period_word(tariff) if charge.period == "month" else charge.period
    if ratchet.preceding_periods == 1:
        reach = f"peak of the {word} before"
    else:
        reach = f"highest peak of the {ratchet.preceding_periods} {word}s before"
    share = f"{_percent(ratchet.share_frac)} of the {reach}"
    if ratchet.counts_current:
        yield f"Billed is at least {share}."
    else:
        yield f"Billed is {share}, whatever the {word}'s own peak is."
    if ratchet.months is not None:
        names = [f"{dt.date(2000, month, 1):%B}" for month in ratchet.months]
        yield f"Of these only peaks of {_listed(names)} count."
    if ratchet.history is not None:
        yield f"Peaks before the data: {_listed(map(_number, ratchet.history))} {charge.unit}, oldest first."


def _capacity(charge: CapacityCharge, tariff: TariffFile) -> Iterator[str]:
    unit, level = charge.unit, charge.contracted_demand
    contracted = "the cheapest level" if level is None else f"{_number(level)} {unit}"
    yield (
        f"{charge.name}: {_rate(charge, tariff)} contracted ({contracted}) for each {_peak_period(charge, tariff)[1]}."
    )
    yield (
        f"  Beyond it: {_money(charge.excess_rate)} {tariff.currency}{_each_day(charge)} per {unit} by which"
        f" {_highest_mean(charge, tariff)} exceeds that level, {_when(charge.when, 'at any time')}."
    )
    if charge.choose:
        least = f" of at least {_number(charge.least_demand)} {unit}" if charge.least_demand else ""
        yield f"  The site may set another level{least}."


def _rate(charge: Measured, tariff: TariffFile) -> str:
    return f"{_money(charge.rate)} {tariff.currency}{_each_day(charge)} per {charge.unit}"


def _each_day(charge: Measured) -> str:
    return " a day" if charge.per_day else ""


def _highest(charge: Measured, tariff: TariffFile) -> str:
    return f"of {_highest_mean(charge, tariff)}"


def _highest_mean(charge: Measured, tariff: TariffFile) -> str:
    sliding = " (sliding)" if charge.sliding else ""
    return f"{_peak_period(charge, tariff)[0]} highest {charge.averaging_min}-minute mean{sliding}"


def _peak_period(charge: Measured, tariff: TariffFile) -> tuple[str, str]:
    """Return whose peak it is, and the period by its name."""
    name = _period_word(tariff) if charge.period == "month" else charge.period
    return ("the year's" if name == "year" else f"each {name}'s"), name


def _coincident(tariff: TariffFile) -> Iterator[str]:
    for charge in tariff.coincident_charges:
        yield (
            f"{charge.name}: {_money(charge.rate_per_kw)} {tariff.currency} a year per kW of the mean import in"
            f" {_counted(len(charge.times), 'interval')} of {charge.duration_min} minutes."
        )
        yield f"  They begin at {_listed(_stamp(time) for time in charge.times)}."


def _events(payment: EventPayment, tariff: TariffFile) -> Iterator[str]:
    baseline = payment.baseline
    yield (
        f"{payment.name}: {_money(payment.rate_per_kwh)} {tariff.currency} earned per kWh below the baseline in"
        f" {_counted(len(payment.events), 'event')}."
    )
    yield f"  Events: {_listed(_event(event) for event in payment.events)}."
    among = "" if baseline.highest is None else f", of which the {baseline.highest} highest count"
    yield (
        f"  The baseline is the mean import without a battery at the same times on the {baseline.days} latest days of"
        f" the same kind without an event{among}."
    )


def _event(event: Event) -> str:
    return f"{_stamp(event.start)} for {event.duration_min} minutes"


def _reactive(charge: ReactiveCharge, tariff: TariffFile) -> str:
    when, period = _when(charge.when, "at any time"), _period_word(tariff)
    if charge.rate_per_kvarh is not None:
        price = f"{_money(charge.rate_per_kvarh)} {tariff.currency} per kvarh"
        free = charge.free_share_of_kwh or 0.0
        beyond = f"beyond {_number(free)} kvarh for each imported kWh of a {period}" if free else f"of each {period}"
    else:
        price = f"{_money(charge.rate_per_kvar or 0.0)} {tariff.currency} per kvar"
        free = charge.free_share_of_kw or 0.0
        beyond = f"of each {period}'s highest" + (
            f", beyond {_number(free)} kvar for each kW of the peak" if free else ""
        )
    return f"{charge.name}: {price} {beyond}, {when}."


# --- what is due anyway, and what is earned ---------------------------------------------------------------------------


def _fixed(charge: FixedCharge, tariff: TariffFile) -> str:
    amounts = {
        "day": charge.amount_per_day,
        _period_word(tariff): charge.amount_per_month,
        "year": charge.amount_per_year,
    }
    period, amount = next((period, amount) for period, amount in amounts.items() if amount is not None)
    meters = "" if charge.meters == 1 else f" for each of {charge.meters} meters"
    return f"{charge.name}: {_money(amount)} {tariff.currency} a {period}{meters}."


def _export(tariff: TariffFile) -> Iterator[str]:
    export, currency = tariff.export, tariff.currency
    net, period = export.net_metering, _period_word(tariff)
    if net is not None:
        yield f"Exported kWh are set off against imported kWh, for each energy charge and {period}."
        settled = f"earns {_money(net.settlement_rate_per_kwh)} {currency} per kWh"
        if net.carry_over:
            yield f"  Credit that is not used goes on to the next {period}; what is left at the end {settled}."
        else:
            yield f"  Credit that is not used {settled} at the end of each {period}."
    elif export.charges is not None:
        for charge in export.charges:
            otherwise = "at all times" if len(export.charges) == 1 else "at all other times"
            yield f"{charge.name}: earns {_price(charge, tariff)}, {_when(charge.when, otherwise)}."
    elif export.price_series is not None:
        yield f"Exported energy earns {_series(export.price_series, currency)}."
    elif export.rate_per_kwh:
        yield f"Exported energy earns {_money(export.rate_per_kwh)} {currency} per kWh."
    else:
        yield "Exported energy earns nothing."
    if export.limit_kw is not None:
        most = f"At most {_number(export.limit_kw)} kW" if export.limit_kw else "Nothing"
        yield f"{most} may be exported."
    rules = (BATTERY_EXPORTS.get(export.battery_exports), CHARGES_FROM.get(export.battery_charges_from))
    yield from (rule for rule in rules if rule is not None)


def _minimum(tariff: TariffFile) -> Iterator[str]:
    minimum = tariff.minimum_bill
    if minimum is not None:
        yield (
            f"{minimum.name}: {_on(minimum.on, 'all lines but surcharges')} come to at least"
            f" {_money(minimum.amount_per_month)} {tariff.currency} a {_period_word(tariff)}; what is missing is added."
        )


def _surcharges(tariff: TariffFile) -> Iterator[str]:
    for surcharge in tariff.surcharges:
        below = " off" if surcharge.share_frac < 0 else " on"
        base = _on(surcharge.on, "all lines before it")
        yield f"{surcharge.name}: {_percent(abs(surcharge.share_frac))}{below} {base}."


def _on(names: Iterable[str], everything: str) -> str:
    names = list(names)
    return everything if ALL_LINES in names else _listed(name if name in GROUPS else f"'{name}'" for name in names)


def _rounding(tariff: TariffFile) -> Iterator[str]:
    rounding = tariff.rounding
    kinds = [
        ("Each line's amount", rounding.amount_decimals),
        ("kW, kVA and kvar, before they are priced,", rounding.demand_decimals),
        ("kWh and kvarh, before they are priced,", rounding.energy_decimals),
    ]
    for what, decimals in kinds:
        if decimals is not None:
            to = _counted(decimals, "decimal") if decimals else "a whole number"
            verb = "is" if what.startswith("Each") else "are"
            yield f"{what} {verb} rounded to {to}, half away from zero."


def _escalation(tariff: TariffFile) -> Iterator[str]:
    rise = tariff.escalation
    kinds = [
        ("Energy charges", rise.energy_frac_per_year),
        ("Demand, capacity and reactive charges", rise.demand_frac_per_year),
        ("Fixed amounts and the minimum bill", rise.fixed_frac_per_year),
        ("Export prices and event payments", rise.export_frac_per_year),
    ]
    for what, share in kinds:
        if share:
            yield f"{what} {'rise' if share > 0 else 'fall'} by {_percent(abs(share))} a year."


# --- words ------------------------------------------------------------------------------------------------------------


def _when(blocks: Sequence[When] | None, otherwise: str) -> str:
    """Say when a charge holds; day types that a block shares with the one before it are not repeated."""
    if blocks is None:
        return otherwise
    text, days_before = "", None
    for block in blocks:
        days = block.day_types
        is_same = bool(text) and days == days_before and block.times is not None
        words = " ".join(_block_words(block, with_days=not is_same)) or "at all times"
        text += (", " if is_same else "; ") + words if text else words
        days_before = days
    return text


def _block_words(block: When, *, with_days: bool) -> Iterator[str]:
    if block.day_types is not None and with_days:
        yield f"on {_listed(map(_days_of_type, block.day_types))}"
    if block.times is not None:
        yield _listed(block.times)
    if block.seasons is not None:
        yield f"in {_listed(map(_plain, block.seasons))}"


def _days_of_type(name: str) -> str:
    plain = _plain(name)
    return plain if plain.endswith("days") else f"{plain}s" if plain.endswith("day") else f"{plain} days"


def _period_word(tariff: TariffFile) -> str:
    billing = tariff.billing
    return "month" if billing.reading_day == 1 and not billing.reading_dates else "billing period"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _month_day(text: str) -> str:
    day = dt.date.fromisoformat(f"2024-{text}")
    return f"{day.day} {day:%B}"


def _stamp(text: str) -> str:
    return text.replace("T", " ")


def _listed(items: Iterable[str]) -> str:
    """Return items as they are listed in a sentence.

    >>> _listed(["a"]), _listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _number(value: float) -> str:
    """Return a number as it was written, with commas between thousands.

    >>> _number(20000.0), _number(0.5), _number(0.00005)
    ('20,000', '0.5', '0.00005')
    """
    text = f"{Decimal(str(value)):,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _money(value: float) -> str:
    """Return a price with two decimals, or as many as were written.

    >>> _money(8.2), _money(0.256), _money(-0.04), _money(1850)
    ('8.20', '0.256', '-0.04', '1,850.00')
    """
    whole, _, decimals = _number(value).partition(".")
    return f"{whole}.{decimals:0<2}"


def _percent(share: float) -> str:
    """Return a share in percent, without the noise of floats.

    >>> _percent(0.065), _percent(0.07), _percent(1.0)
    ('6.5 %', '7 %', '100 %')
    """
    return f"{_number(float(Decimal(str(share)) * 100))} %"
