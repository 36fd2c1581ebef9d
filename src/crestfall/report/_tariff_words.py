"""A tariff in plain words: one short sentence for each charge and each clause, in the order of the bill."""

import datetime as dt
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from crestfall.report._tariff_sentences import (
    AT_LEAST,
    BEYOND,
    CARRIED_OVER,
    CONTRACTED,
    DAY_TYPES,
    DEMAND,
    FIRST_BLOCK,
    FIXED,
    GROUP_WORDS,
    KVAR,
    KVARH,
    MINIMUM,
    SET_OFF,
    SETTLED,
    WHATEVER,
)
from crestfall.report._words import day_of_year, figures, later, moment, say, say_many
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
    "mon": later("Monday"),
    "tue": later("Tuesday"),
    "wed": later("Wednesday"),
    "thu": later("Thursday"),
    "fri": later("Friday"),
    "sat": later("Saturday"),
    "sun": later("Sunday"),
}
CHARGES_FROM = {
    "pv": later("A battery may charge no more than the PV of the moment."),
    "pv_surplus": later("A battery may charge no more than the PV beyond the load of the moment."),
}
BATTERY_EXPORTS = {
    "unpaid": later("Only PV beyond the load is paid; other energy may leave the site and earns nothing."),
    "forbidden": later("Only PV beyond the load may leave the site, nothing from a battery."),
}

# What each group of the bill is called, in the order of the bill.
GROUP_HEADINGS = {
    "energy": later("Energy"),
    "demand": later("Demand"),
    "capacity": later("Contracted capacity"),
    "coincident": later("Demand at named times"),
    "events": later("Payments for using less"),
    "reactive": later("Reactive power"),
    "export": later("Export"),
    "fixed": later("Fixed amounts"),
    "minimum": later("Minimum bill"),
    "surcharge": later("Surcharges"),
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
    head = [
        tariff.title,
        say("Prices in {currency}, valid from {valid_from}.", currency=tariff.currency, valid_from=tariff.valid_from),
        *_for_whom(tariff),
    ]
    lines = [part for text in head for part in _wrapped(text, 0, width)]
    for heading, sentences in _sections(tariff):
        if not sentences:
            continue
        lines += ["", *_wrapped(heading, 0, width)]
        for sentence in sentences:
            lines += _wrapped(sentence.strip(), 4 if sentence.startswith(" ") else 2, width)
    return lines


def _wrapped(text: str, indent: int, width: int | None) -> list[str]:
    begin, then = " " * indent, " " * (indent + 4 if indent else 0)
    if width is None:
        return [begin + text]
    return textwrap.wrap(text, max(width, 40), initial_indent=begin, subsequent_indent=then, break_on_hyphens=False)


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
    yield say("Calendar"), list(_calendar(tariff))
    yield from ((say(heading), list(sentences[group])) for group, heading in GROUP_HEADINGS.items())
    yield say("Rounding"), list(_rounding(tariff))
    yield say("Later years"), list(_escalation(tariff))


def _for_whom(tariff: TariffFile) -> Iterator[str]:
    hours = tariff.hours_of_use
    least = _number(hours.at_least_h) if hours.at_least_h else ""
    below = _number(hours.below_h) if hours.below_h is not None else ""
    if least and below:
        text = later(
            "For sites with at least {least} and less than {below} hours of use a year (imported kWh over the year's"
            " highest kW)."
        )
    elif least:
        text = later("For sites with at least {least} hours of use a year (imported kWh over the year's highest kW).")
    else:
        text = later("For sites with less than {below} hours of use a year (imported kWh over the year's highest kW).")
    if least or below:
        yield say(text, least=least, below=below)


# --- calendar ---------------------------------------------------------------------------------------------------------


def _calendar(tariff: TariffFile) -> Iterator[str]:
    for name, season in tariff.seasons.items():
        yield say(
            "{name}: {first_day} to {last_day}.",
            name=_plain(name),
            first_day=_month_day(season.first_day),
            last_day=_month_day(season.last_day),
        )
    for name, day_type in tariff.day_types.items():
        yield say(DAY_TYPES[day_type.on_holidays], name=_plain(name), weekdays=_weekdays(day_type.weekdays))
    yield from _holidays(tariff)
    billing = tariff.billing
    if billing.reading_dates:
        yield say("Billing periods begin on {reading_dates}.", reading_dates=_listed(map(str, billing.reading_dates)))
    elif billing.reading_day != 1:
        yield say(
            "Billing periods begin on day {reading_day} of each month and bear the date of that day.",
            reading_day=billing.reading_day,
        )
    else:
        yield say("Billing periods are calendar months.")
    if billing.standard_days is not None:
        yield say(
            "Amounts, demand rates and block sizes hold for {standard_days} days, whatever the period has.",
            standard_days=billing.standard_days,
        )
    if not billing.prorate:
        yield say("A part of a period costs as much as a whole one.")
    if tariff.split_steps:
        yield say("A step of the data that a window cuts is shared out by time.")


def _holidays(tariff: TariffFile) -> Iterator[str]:
    ask = tariff.holidays
    if ask.country is not None:
        place = ask.country + (f" ({ask.subdivision})" if ask.subdivision else "")
        if ask.only is None:
            yield say("Holidays are the public holidays of {place}.", place=place)
        else:
            yield say("Holidays are the public holidays {only} of {place}.", only=_listed(ask.only), place=place)
    own = [*map(_month_day, ask.every_year), *map(str, ask.extra_dates)]
    if own:
        text = later("Further holidays are {days}.") if ask.country else later("Holidays are {days}.")
        yield say(text, days=_listed(own))
    moves = [
        (later("A holiday that falls on a Saturday is kept on {kept}."), ask.saturday_moves_to),
        (later("A holiday that falls on a Sunday is kept on {kept}."), ask.sunday_moves_to),
    ]
    for text, to in moves:
        if to != "stays":
            yield say(text, kept=say(to.capitalize()))


def _weekdays(days: Sequence[str]) -> str:
    order = list(DAYS)
    at = sorted(order.index(day) for day in days)
    if not at:
        return say("no weekday")
    if len(at) == len(order):
        return say("every day of the week")
    if len(at) > 2 and at == list(range(at[0], at[-1] + 1)):
        return say("{first} to {last}", first=say(DAYS[order[at[0]]]), last=say(DAYS[order[at[-1]]]))
    return _listed(say(DAYS[order[i]]) for i in at)


# --- what is used -----------------------------------------------------------------------------------------------------


def _energy(tariff: TariffFile) -> Iterator[str]:
    components = list(dict.fromkeys(charge.component for charge in tariff.energy_charges))
    if len(components) > 1:
        yield say(
            "One kWh costs the sum of {components} parts: {components_2}.",
            components=len(components),
            components_2=_listed(components),
        )
    for charge in tariff.energy_charges:
        is_alone = [other.component for other in tariff.energy_charges].count(charge.component) == 1
        when = _when(charge.when, say("at all times") if is_alone else say("at all other times"))
        name = charge.name
        if len(components) > 1:
            name = say("{name} (part {component})", name=charge.name, component=charge.component)
        price = _tiers(charge.tiers, charge, tariff) if charge.tiers else _price(charge, tariff)
        if charge.tiers and charge.hours_of is not None:
            text = later("{name}: {price} (hours of use: kWh over the billed peak of '{hours_of}'), {when}.")
            yield say(text, name=name, price=price, hours_of=charge.hours_of, when=when)
        else:
            yield say("{name}: {price}, {when}.", name=name, price=price, when=when)


def _price(charge: PricedEnergy, tariff: TariffFile) -> str:
    if charge.price_series is not None:
        return _series(charge.price_series, tariff.currency)
    return say("{rate} {currency} per kWh", rate=_money(charge.rate_per_kwh or 0.0), currency=tariff.currency)


def _series(series: PriceSeries, currency: str) -> str:
    unit = "kWh" if series.unit == "per_kwh" else "MWh"
    parts = [
        say(
            "the price in {file} (column {column}, {currency} per {unit})",
            file=series.file,
            column=series.column,
            currency=currency,
            unit=unit,
        )
    ]
    if series.multiplier != 1:
        parts.append(say("times {multiplier}", multiplier=_number(series.multiplier)))
    bounds = [
        (later("plus {amount} {currency} per kWh"), max(series.adder_per_kwh, 0.0) or None),
        (later("minus {amount} {currency} per kWh"), max(-series.adder_per_kwh, 0.0) or None),
        (later("at least {amount} {currency} per kWh"), series.floor_per_kwh),
        (later("at most {amount} {currency} per kWh"), series.cap_per_kwh),
    ]
    parts += [say(text, amount=_money(amount), currency=currency) for text, amount in bounds if amount is not None]
    return ", ".join(parts)


def _tiers(tiers: Sequence[Tier], charge: EnergyCharge, tariff: TariffFile) -> str:
    period, in_hours = "year" if charge.tier_period == "year" else _period(tariff), charge.hours_of is not None
    texts = []
    for place, tier in enumerate(tiers):
        end = tier.upto_kwh if tier.upto_kwh is not None else tier.upto_hours
        values = {"rate": _money(tier.rate_per_kwh), "currency": tariff.currency}
        if end is None:
            texts.append(say("then the rest at {rate}", **values))
        elif place == 0:
            texts.append(say(FIRST_BLOCK[period][in_hours], end=_number(end), **values))
        else:
            text = later("then up to {end} hours at {rate}") if in_hours else later("then up to {end} kWh at {rate}")
            texts.append(say(text, end=_number(end), **values))
    return ", ".join(texts)


def _demand(charge: DemandCharge, tariff: TariffFile) -> Iterator[str]:
    unit = charge.unit
    when = _when(charge.when, say("at any time"))
    yield say(DEMAND[_peak_period(charge, tariff)], name=charge.name, **_measured(charge, tariff), when=when)
    if charge.power_factor_target_frac is not None:
        yield (
            say(
                "  At a power factor below {power_factor_target} the kW are billed times {power_factor_target} over "
                "the actual one.",
                power_factor_target=_number(charge.power_factor_target_frac),
            )
        )
    if charge.ratchet is not None:
        yield from (f"  {text}" for text in _ratchet(charge.ratchet, charge, tariff))
    if charge.minimum_demand:
        yield say(
            "  At least {minimum_demand} {unit} are billed.", minimum_demand=_number(charge.minimum_demand), unit=unit
        )
    if charge.free_demand:
        yield say(
            "  Of what is billed, the first {free_demand} {unit} cost nothing.",
            free_demand=_number(charge.free_demand),
            unit=unit,
        )


def _ratchet(ratchet: Ratchet, charge: DemandCharge, tariff: TariffFile) -> Iterator[str]:
    period = _peak_period(charge, tariff)
    texts = (AT_LEAST if ratchet.counts_current else WHATEVER)[period]
    n = ratchet.preceding_periods
    yield say(texts[n > 1], share=_percent(ratchet.share_frac), n=n)
    if ratchet.months is not None:
        names = [moment(dt.datetime(2000, month, 1), "LLLL") for month in ratchet.months]  # noqa: DTZ001 -- a month's name only
        yield say("Of these only peaks of {names} count.", names=_listed(names))
    if ratchet.history is not None:
        yield say(
            "Peaks before the data: {history} {unit}, oldest first.",
            history=_listed(map(_number, ratchet.history)),
            unit=charge.unit,
        )


def _capacity(charge: CapacityCharge, tariff: TariffFile) -> Iterator[str]:
    unit, level = charge.unit, charge.contracted_demand
    period = _peak_period(charge, tariff)
    contracted = say("the cheapest level") if level is None else f"{_number(level)} {unit}"
    price = _price_of(charge.rate, charge, tariff)
    yield say(CONTRACTED[period], name=charge.name, price=price, contracted=contracted)
    beyond = _measured(charge, tariff) | {"price": _price_of(charge.excess_rate, charge, tariff)}
    yield "  " + say(BEYOND[period], **beyond, when=_when(charge.when, say("at any time")))
    if charge.choose and charge.least_demand:
        least = _number(charge.least_demand)
        yield "  " + say(
            "The site may set another level of at least {least_demand} {unit}.", least_demand=least, unit=unit
        )
    elif charge.choose:
        yield "  " + say("The site may set another level.")


def _measured(charge: Measured, tariff: TariffFile) -> dict[str, str]:
    """Return the price of a measured peak, and the mean that it is the highest of."""
    mean = later("{minutes}-minute mean (sliding)") if charge.sliding else later("{minutes}-minute mean")
    return {
        "price": _price_of(charge.rate, charge, tariff),
        "mean": say(mean, minutes=charge.averaging_min),
    }


def _price_of(rate: float, charge: Measured, tariff: TariffFile) -> str:
    text = later("{rate} {currency} a day per {unit}") if charge.per_day else later("{rate} {currency} per {unit}")
    return say(text, rate=_money(rate), currency=tariff.currency, unit=charge.unit)


def _peak_period(charge: Measured, tariff: TariffFile) -> str:
    """Return the period whose peak it is, as the sentences are named."""
    return _period(tariff) if charge.period == "month" else charge.period


def _coincident(tariff: TariffFile) -> Iterator[str]:
    for charge in tariff.coincident_charges:
        yield say_many(
            len(charge.times),
            "{name}: {rate} {currency} a year per kW of the mean import in {n} interval of {duration_min} minutes.",
            "{name}: {rate} {currency} a year per kW of the mean import in {n} intervals of {duration_min} minutes.",
            name=charge.name,
            rate=_money(charge.rate_per_kw),
            currency=tariff.currency,
            duration_min=charge.duration_min,
        )
        yield say("  They begin at {times}.", times=_listed(_stamp(time) for time in charge.times))


def _events(payment: EventPayment, tariff: TariffFile) -> Iterator[str]:
    baseline = payment.baseline
    yield say_many(
        len(payment.events),
        "{name}: {rate} {currency} earned per kWh below the baseline in {n} event.",
        "{name}: {rate} {currency} earned per kWh below the baseline in {n} events.",
        name=payment.name,
        rate=_money(payment.rate_per_kwh),
        currency=tariff.currency,
    )
    yield say("  Events: {events}.", events=_listed(_event(event) for event in payment.events))
    text = later(
        "The baseline is the mean import without a battery at the same times on the {days} latest days of the same kind"
        " without an event."
    )
    if baseline.highest is not None:
        text = later(
            "The baseline is the mean import without a battery at the same times on the {days} latest days of the same"
            " kind without an event, of which the {highest} highest count."
        )
    yield "  " + say(text, days=baseline.days, highest=baseline.highest)


def _event(event: Event) -> str:
    return say("{start} for {duration_min} minutes", start=_stamp(event.start), duration_min=event.duration_min)


def _reactive(charge: ReactiveCharge, tariff: TariffFile) -> str:
    texts, rate, free = KVAR, charge.rate_per_kvar or 0.0, charge.free_share_of_kw or 0.0
    if charge.rate_per_kvarh is not None:
        texts, rate, free = KVARH, charge.rate_per_kvarh, charge.free_share_of_kwh or 0.0
    return say(
        texts[_period(tariff)][free > 0],
        name=charge.name,
        rate=_money(rate),
        currency=tariff.currency,
        free=_number(free),
        when=_when(charge.when, say("at any time")),
    )


# --- what is due anyway, and what is earned ---------------------------------------------------------------------------


def _fixed(charge: FixedCharge, tariff: TariffFile) -> str:
    amounts = {
        "day": charge.amount_per_day,
        _period(tariff): charge.amount_per_month,
        "year": charge.amount_per_year,
    }
    period, amount = next((period, amount) for period, amount in amounts.items() if amount is not None)
    text = FIXED[period][charge.meters != 1]
    return say(text, name=charge.name, amount=_money(amount), currency=tariff.currency, meters=charge.meters)


def _export(tariff: TariffFile) -> Iterator[str]:
    export, currency = tariff.export, tariff.currency
    net, period = export.net_metering, _period(tariff)
    if net is not None:
        yield say(SET_OFF[period])
        text = (CARRIED_OVER if net.carry_over else SETTLED)[period]
        yield "  " + say(text, rate=_money(net.settlement_rate_per_kwh), currency=currency)
    elif export.charges is not None:
        for charge in export.charges:
            otherwise = say("at all times") if len(export.charges) == 1 else say("at all other times")
            when = _when(charge.when, otherwise)
            yield say("{name}: earns {price}, {when}.", name=charge.name, price=_price(charge, tariff), when=when)
    elif export.price_series is not None:
        yield say("Exported energy earns {price}.", price=_series(export.price_series, currency))
    elif export.rate_per_kwh:
        yield say(
            "Exported energy earns {rate_per} {currency} per kWh.",
            rate_per=_money(export.rate_per_kwh),
            currency=currency,
        )
    else:
        yield say("Exported energy earns nothing.")
    if export.limit_kw is not None:
        text = later("At most {limit} kW may be exported.") if export.limit_kw else later("Nothing may be exported.")
        yield say(text, limit=_number(export.limit_kw))
    rules = (BATTERY_EXPORTS.get(export.battery_exports), CHARGES_FROM.get(export.battery_charges_from))
    yield from (say(rule) for rule in rules if rule is not None)


def _minimum(tariff: TariffFile) -> Iterator[str]:
    minimum = tariff.minimum_bill
    if minimum is not None:
        yield say(
            MINIMUM[_period(tariff)],
            name=minimum.name,
            on=_on(minimum.on, say("all lines but surcharges")),
            amount=_money(minimum.amount_per_month),
            currency=tariff.currency,
        )


def _surcharges(tariff: TariffFile) -> Iterator[str]:
    for surcharge in tariff.surcharges:
        text = later("{name}: {share} off {base}.") if surcharge.share_frac < 0 else later("{name}: {share} on {base}.")
        base = _on(surcharge.on, say("all lines before it"))
        yield say(text, name=surcharge.name, share=_percent(abs(surcharge.share_frac)), base=base)


def _on(names: Iterable[str], everything: str) -> str:
    names = list(names)
    return (
        everything
        if ALL_LINES in names
        else _listed(say(GROUP_WORDS[name]) if name in GROUPS else f"'{name}'" for name in names)
    )


def _rounding(tariff: TariffFile) -> Iterator[str]:
    rounding = tariff.rounding
    kinds = [
        (later("Each line's amount is rounded to {to}, half away from zero."), rounding.amount_decimals),
        (
            later("kW, kVA and kvar, before they are priced, are rounded to {to}, half away from zero."),
            rounding.demand_decimals,
        ),
        (
            later("kWh and kvarh, before they are priced, are rounded to {to}, half away from zero."),
            rounding.energy_decimals,
        ),
    ]
    for text, decimals in kinds:
        if decimals is not None:
            to = say_many(decimals, "{n} decimal", "{n} decimals") if decimals else say("a whole number")
            yield say(text, to=to)


def _escalation(tariff: TariffFile) -> Iterator[str]:
    rise = tariff.escalation
    kinds = [
        (say("Energy charges"), rise.energy_frac_per_year),
        (say("Demand, capacity and reactive charges"), rise.demand_frac_per_year),
        (say("Fixed amounts and the minimum bill"), rise.fixed_frac_per_year),
        (say("Export prices and event payments"), rise.export_frac_per_year),
    ]
    for what, share in kinds:
        if share:
            text = later("{what} rise by {share} a year.") if share > 0 else later("{what} fall by {share} a year.")
            yield say(text, what=what, share=_percent(abs(share)))


# --- words ------------------------------------------------------------------------------------------------------------


def _when(blocks: Sequence[When] | None, otherwise: str) -> str:
    """Say when a charge holds; day types that a block shares with the one before it are not repeated."""
    if blocks is None:
        return otherwise
    text, days_before = "", None
    for block in blocks:
        days = block.day_types
        is_same = bool(text) and days == days_before and block.times is not None
        words = " ".join(_block_words(block, with_days=not is_same)) or say("at all times")
        text += (", " if is_same else "; ") + words if text else words
        days_before = days
    return text


def _block_words(block: When, *, with_days: bool) -> Iterator[str]:
    if block.day_types is not None and with_days:
        yield say("on {day_types}", day_types=_listed(map(_days_of_type, block.day_types)))
    if block.times is not None:
        yield _listed(block.times)
    if block.seasons is not None:
        yield say("in {seasons}", seasons=_listed(map(_plain, block.seasons)))


def _days_of_type(name: str) -> str:
    plain = _plain(name)
    return (
        plain if plain.endswith("days") else f"{plain}s" if plain.endswith("day") else say("{plain} days", plain=plain)
    )


def _period(tariff: TariffFile) -> str:
    """Return what the tariff bills by, as the sentences are named."""
    billing = tariff.billing
    return "month" if billing.reading_day == 1 and not billing.reading_dates else "billing period"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _month_day(text: str) -> str:
    return day_of_year(dt.date.fromisoformat(f"2024-{text}"))


def _stamp(text: str) -> str:
    return text.replace("T", " ")


def _listed(items: Iterable[str]) -> str:
    """Return items as they are listed in a sentence.

    >>> _listed(["a"]), _listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    *most, last = items
    return say("{most} and {last}", most=", ".join(most), last=last) if most else last


def _number(value: float) -> str:
    """Return a number as it was written, with commas between thousands.

    >>> _number(20000.0), _number(0.5), _number(0.00005)
    ('20,000', '0.5', '0.00005')
    """
    return figures(_written(value))


def _written(value: float) -> str:
    text = f"{Decimal(str(value)):,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _money(value: float) -> str:
    """Return a price with two decimals, or as many as were written.

    >>> _money(8.2), _money(0.256), _money(-0.04), _money(1850)
    ('8.20', '0.256', '-0.04', '1,850.00')
    """
    whole, _, decimals = _written(value).partition(".")
    return figures(f"{whole}.{decimals:0<2}")


def _percent(share: float) -> str:
    """Return a share in percent, without the noise of floats.

    >>> _percent(0.065), _percent(0.07), _percent(1.0)
    ('6.5 %', '7 %', '100 %')
    """
    return f"{_number(float(Decimal(str(share)) * 100))} %"
