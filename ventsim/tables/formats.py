"""The one writing of numbers, changes, fractions and times."""

import math
from typing import Literal

MISSING = "-"
"""What stands for an unknown number."""


def fixed(number: float, digits: int) -> str:
    """A number with so many decimals, and without a minus before zero.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(float("nan"), 1)
    ('0.0', '-')
    """
    return MISSING if math.isnan(number) else f"{round(float(number), digits) + 0.0:.{digits}f}"


def signed(number: float, digits: int) -> str:
    """A change with its sign, which what is rounded to zero has not.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> signed(2.5, 1), signed(-0.04, 1)
    ('+2.5', '0.0')
    """
    text = fixed(number, digits)
    return f"+{text}" if number > 0.0 and float(text) != 0.0 else text


def significant(number: float, digits: int = 6) -> str:
    """A number with so many significant digits at most, and without a minus before zero.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int, default 6
        Number of significant digits. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> significant(0.30000000004), significant(-0.0)
    ('0.3', '0')
    """
    return MISSING if math.isnan(number) else f"{float(number) + 0.0:.{digits}g}"


def percent(fraction: float, digits: int = 1) -> str:
    """A fraction in percent, without the sign for it.

    Parameters
    ----------
    fraction : float
        Any fraction. [1]
    digits : int, default 1
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> percent(0.646)
    '64.6'
    """
    return fixed(100.0 * fraction, digits)


def clock(
    time: float, *, form: Literal["h:min:s", "h:min", "min:s"] = "h:min:s", digits: int | None = None
) -> str:
    """A time as a clock shows it.

    Parameters
    ----------
    time : float
        Since the start of the run. [s]
    form : {"h:min:s", "h:min", "min:s"}, default "h:min:s"
        What is shown of it; the last part is rounded.
    digits : int or None, default None
        Decimals of the seconds of ``"h:min:s"``; None: hundredths where there are any. [1]

    Returns
    -------
    str
        Such as ``"6:00:00"``; a dash for what is not finite.

    Examples
    --------
    >>> clock(21600.0), clock(213.75), clock(213.75, digits=1), clock(5400.0, form="h:min")
    ('6:00:00', '0:03:33.75', '0:03:33.8', '1:30')
    """
    if not math.isfinite(time):
        return MISSING
    if form != "h:min:s":
        first, last = divmod(round(time / 60.0 if form == "h:min" else time), 60)
        return f"{first}:{last:02d}"
    places = 2 if digits is None else digits
    whole, part = divmod(round(time * 10**places), 10**places)
    minutes, seconds = divmod(whole, 60)
    text = f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return text if not places or (digits is None and not part) else f"{text}.{part:0{places}d}"


def in_words(name: str) -> str:
    """A name of a measure or alarm as people write it.

    Parameters
    ----------
    name : str
        With underscores.

    Returns
    -------
    str
        With blanks.

    Examples
    --------
    >>> in_words("peep_rise")
    'PEEP rise'
    """
    return name.replace("_", " ").replace("peep", "PEEP")
