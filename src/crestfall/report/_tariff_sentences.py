"""What is said of a tariff's charges, by the period that it bills: whole sentences, for other languages bend words."""

from crestfall.report._words import later

# Sentences by the period whose peak is meant, as the tariff bills it.
DEMAND = {
    "month": later("{name}: {price} of each month's highest {mean}, {when}."),
    "billing period": later("{name}: {price} of each billing period's highest {mean}, {when}."),
    "day": later("{name}: {price} of each day's highest {mean}, {when}."),
    "season": later("{name}: {price} of each season's highest {mean}, {when}."),
    "year": later("{name}: {price} of the year's highest {mean}, {when}."),
}
CONTRACTED = {
    "month": later("{name}: {price} contracted ({contracted}) for each month."),
    "billing period": later("{name}: {price} contracted ({contracted}) for each billing period."),
    "day": later("{name}: {price} contracted ({contracted}) for each day."),
    "season": later("{name}: {price} contracted ({contracted}) for each season."),
    "year": later("{name}: {price} contracted ({contracted}) for each year."),
}
BEYOND = {
    "month": later("Beyond it: {price} by which each month's highest {mean} exceeds that level, {when}."),
    "billing period": later(
        "Beyond it: {price} by which each billing period's highest {mean} exceeds that level, {when}."
    ),
    "day": later("Beyond it: {price} by which each day's highest {mean} exceeds that level, {when}."),
    "season": later("Beyond it: {price} by which each season's highest {mean} exceeds that level, {when}."),
    "year": later("Beyond it: {price} by which the year's highest {mean} exceeds that level, {when}."),
}
# What a ratchet bills: by the period, for one of them and for several before it.
AT_LEAST = {
    "month": (
        later("Billed is at least {share} of the peak of the month before."),
        later("Billed is at least {share} of the highest peak of the {n} months before."),
    ),
    "billing period": (
        later("Billed is at least {share} of the peak of the billing period before."),
        later("Billed is at least {share} of the highest peak of the {n} billing periods before."),
    ),
    "day": (
        later("Billed is at least {share} of the peak of the day before."),
        later("Billed is at least {share} of the highest peak of the {n} days before."),
    ),
    "season": (
        later("Billed is at least {share} of the peak of the season before."),
        later("Billed is at least {share} of the highest peak of the {n} seasons before."),
    ),
    "year": (
        later("Billed is at least {share} of the peak of the year before."),
        later("Billed is at least {share} of the highest peak of the {n} years before."),
    ),
}
WHATEVER = {
    "month": (
        later("Billed is {share} of the peak of the month before, whatever the month's own peak is."),
        later("Billed is {share} of the highest peak of the {n} months before, whatever the month's own peak is."),
    ),
    "billing period": (
        later("Billed is {share} of the peak of the billing period before, whatever the billing period's own peak is."),
        later(
            "Billed is {share} of the highest peak of the {n} billing periods before, whatever the billing period's own"
            " peak is."
        ),
    ),
    "day": (
        later("Billed is {share} of the peak of the day before, whatever the day's own peak is."),
        later("Billed is {share} of the highest peak of the {n} days before, whatever the day's own peak is."),
    ),
    "season": (
        later("Billed is {share} of the peak of the season before, whatever the season's own peak is."),
        later("Billed is {share} of the highest peak of the {n} seasons before, whatever the season's own peak is."),
    ),
    "year": (
        later("Billed is {share} of the peak of the year before, whatever the year's own peak is."),
        later("Billed is {share} of the highest peak of the {n} years before, whatever the year's own peak is."),
    ),
}
# The first block of energy, in kWh and in hours of use.
FIRST_BLOCK = {
    "month": (
        later("first {end} kWh of a month at {rate} {currency} per kWh"),
        later("first {end} hours of use of a month at {rate} {currency} per kWh"),
    ),
    "billing period": (
        later("first {end} kWh of a billing period at {rate} {currency} per kWh"),
        later("first {end} hours of use of a billing period at {rate} {currency} per kWh"),
    ),
    "year": (
        later("first {end} kWh of a year at {rate} {currency} per kWh"),
        later("first {end} hours of use of a year at {rate} {currency} per kWh"),
    ),
}
# Reactive energy without and with a free share; then the highest reactive power.
KVARH = {
    "month": (
        later("{name}: {rate} {currency} per kvarh of each month, {when}."),
        later("{name}: {rate} {currency} per kvarh beyond {free} kvarh for each imported kWh of a month, {when}."),
    ),
    "billing period": (
        later("{name}: {rate} {currency} per kvarh of each billing period, {when}."),
        later(
            "{name}: {rate} {currency} per kvarh beyond {free} kvarh for each imported kWh of a billing period, {when}."
        ),
    ),
}
KVAR = {
    "month": (
        later("{name}: {rate} {currency} per kvar of each month's highest, {when}."),
        later(
            "{name}: {rate} {currency} per kvar of each month's highest, beyond {free} kvar for each kW of the peak,"
            " {when}."
        ),
    ),
    "billing period": (
        later("{name}: {rate} {currency} per kvar of each billing period's highest, {when}."),
        later(
            "{name}: {rate} {currency} per kvar of each billing period's highest, beyond {free} kvar for each kW of the"
            " peak, {when}."
        ),
    ),
}
# Fixed amounts, for one meter and for several.
FIXED = {
    "day": (
        later("{name}: {amount} {currency} a day."),
        later("{name}: {amount} {currency} a day for each of {meters} meters."),
    ),
    "month": (
        later("{name}: {amount} {currency} a month."),
        later("{name}: {amount} {currency} a month for each of {meters} meters."),
    ),
    "billing period": (
        later("{name}: {amount} {currency} a billing period."),
        later("{name}: {amount} {currency} a billing period for each of {meters} meters."),
    ),
    "year": (
        later("{name}: {amount} {currency} a year."),
        later("{name}: {amount} {currency} a year for each of {meters} meters."),
    ),
}
SET_OFF = {
    "month": later("Exported kWh are set off against imported kWh, for each energy charge and month."),
    "billing period": later(
        "Exported kWh are set off against imported kWh, for each energy charge and billing period."
    ),
}
CARRIED_OVER = {
    "month": later(
        "Credit that is not used goes on to the next month; what is left at the end earns {rate} {currency} per kWh."
    ),
    "billing period": later(
        "Credit that is not used goes on to the next billing period; what is left at the end earns {rate} {currency}"
        " per kWh."
    ),
}
SETTLED = {
    "month": later("Credit that is not used earns {rate} {currency} per kWh at the end of each month."),
    "billing period": later(
        "Credit that is not used earns {rate} {currency} per kWh at the end of each billing period."
    ),
}
MINIMUM = {
    "month": later("{name}: {on} come to at least {amount} {currency} a month; what is missing is added."),
    "billing period": later(
        "{name}: {on} come to at least {amount} {currency} a billing period; what is missing is added."
    ),
}
DAY_TYPES = {
    "as_weekday": later("{name}: {weekdays}, holidays as their weekday."),
    "never": later("{name}: {weekdays}, but not on holidays."),
    "always": later("{name}: {weekdays}, and all holidays."),
}
# What each group of lines is called in a sentence.
GROUP_WORDS = {
    "energy": later("energy"),
    "demand": later("demand"),
    "capacity": later("capacity"),
    "coincident": later("coincident"),
    "events": later("events"),
    "reactive": later("reactive"),
    "export": later("exported energy"),
    "fixed": later("fixed"),
    "minimum": later("minimum"),
    "surcharge": later("surcharge"),
}
