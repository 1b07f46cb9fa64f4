"""Times of a run as a clock shows them."""


def clock(time: float) -> str:
    """A time as h:min:s, with hundredths where there are any.

    Parameters
    ----------
    time : float
        Since the start of the run. [s]

    Returns
    -------
    str
        Such as ``"6:00:00"``.

    Examples
    --------
    >>> clock(21600.0), clock(213.75)
    ('6:00:00', '0:03:33.75')
    """
    whole, hundredths = divmod(round(time * 100), 100)
    minutes, seconds = divmod(whole, 60)
    text = f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return f"{text}.{hundredths:02d}" if hundredths else text
