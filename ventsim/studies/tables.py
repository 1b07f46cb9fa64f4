"""What studies found, as tables."""

from functools import partial

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.errors import SchemaError, suggestion
from ventsim.parameters import public
from ventsim.results.schema import CAUTION, VARIABLES, check_dataset
from ventsim.studies.blind_spots import NOT_RUN
from ventsim.studies.sizing.answer import BEFORE_AND_AFTER
from ventsim.studies.sizing.restrictors import Sizing
from ventsim.tables import Column, Section, Table, fixed, in_words, percent, signed, significant

_MOST_POINTS = 40  # rows of a sweep that are shown
_CHANGE = partial(signed, digits=1)
_VALUE = partial(significant, digits=5)
_WANTED = partial(fixed, digits=2)
_MISS = partial(percent, digits=3)
_EFFECT = partial(signed, digits=2)


@public
def blind_spots_table(found: xr.Dataset) -> Table:
    """A blind-spot study: for each fault the change in each lung, what was displayed, and the first alarm.

    Parameters
    ----------
    found : xarray.Dataset
        Result of :func:`blind_spots`.

    Returns
    -------
    Table
        A DataFrame for each mode, by its name; ``!`` marks a lung with harm that no alarm has shown.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema.

    Examples
    --------
    ``print(blind_spots_table(blind_spots(circuit, settings)))``
    """
    check_dataset(found, "blind spots")
    lungs = [f"lung {name}" for name in found["lung"].values]
    columns = {name: Column(heading=name, unit="%", show=_CHANGE, mark=f"unseen in {name}") for name in lungs}
    columns |= {
        "displayed expired": Column(heading="displayed expired", unit="%", show=_CHANGE),
        "displayed peak": Column(heading="displayed peak", unit="cmH2O", show=_EFFECT),
        "alarm after": Column(heading="alarm after", unit="s", show=partial(fixed, digits=0)),
        "first alarm": Column(heading="first alarm"),
    }
    sections = [
        Section(name=mode, frame=faults_frame(found.sel(mode=mode)), columns=columns, title=mode)
        for mode in map(str, found["mode"].values)
    ]
    harm = percent(found.attrs["harm"], 0)
    pressure, duration = (significant(found.attrs[name]) for name in ("pressure_harm_cmH2O", "duration_s"))
    notes = (
        f"Change of each lung's tidal volume. ! = harm without an alarm: more than {harm} % of volume, or more "
        f"than {pressure} cmH2O of end-inspiratory pressure (both invented, to be chosen).",
        f"Changes are of the last breath, {duration} s after the fault began. Alarms count from its first breath "
        "on, so one may have been raised by a display that is as before in the end.",
    )
    return Table(sections=sections, notes=notes, caution=CAUTION)


def faults_frame(one: xr.Dataset) -> pd.DataFrame:
    """The faults of one mode of a blind-spot study, a row for each."""
    before = float(one["displayed_expired_tidal_volume_before"])
    expired = 100.0 * one["displayed_expired_tidal_volume_change"].values / (before if before > 0.0 else np.nan)
    unseen = _by_lung(one["unseen"], "fault").eq(1.0).add_prefix("unseen in ")
    frame = _by_lung(one["tidal_volume_change"], "fault").join(unseen)
    frame["displayed expired"] = expired
    frame["displayed peak"] = one["displayed_peak_pressure_change"].values
    alarms = [_first_alarm(one.sel(fault=fault)) for fault in one["fault"].values]
    frame["first alarm"], frame["alarm after"] = zip(*alarms, strict=True)
    return frame


def _by_lung(values: xr.DataArray, rows: str) -> pd.DataFrame:
    """A column for each lung."""
    frame = pd.DataFrame(values.transpose(rows, "lung").to_pandas())
    return frame.add_prefix("lung ").rename_axis(columns=None)


def _first_alarm(one: xr.Dataset) -> tuple[str, float]:
    """The alarm that was raised first, and how long after the fault; or why nothing is known. [s]"""
    reason = str(one["reason"].item()).partition("\n")[0]
    if reason:
        return reason if reason.startswith(NOT_RUN) else f"run failed: {reason}", np.nan
    after = one["raised_after"].values
    if not np.isfinite(after).any():
        return "none", np.nan
    k = int(np.nanargmin(after))
    return in_words(str(one["alarm"].values[k])), float(after[k])


@public
def sweep_table(study: xr.Dataset, *, show: str = "inspired_tidal_volume") -> Table:
    """One measure of a sweep: a row for each point with its values, and the measure of each lung.

    Parameters
    ----------
    study : xarray.Dataset
        Result of :func:`sweep`.
    show : str, default "inspired_tidal_volume"
        Name of the measure.

    Returns
    -------
    Table
        Its DataFrame has all points; of more than 40, the first and last 20 are shown.

    Raises
    ------
    SchemaError
        If the Dataset is no sweep, or has no such measure.

    Examples
    --------
    ``print(sweep_table(sweep(scenario, {"lungs.b.compliance": [20, 40, 60]}), show="auto_peep"))``
    """
    if not isinstance(study, xr.Dataset) or "status" not in study or "reason" not in study:
        raise SchemaError("sweep_table: this is no result of a sweep.\n  Give what sweep(...) returns.")
    measures = [
        str(name) for name in study.data_vars if name in VARIABLES and VARIABLES[str(name)].kinds == ("measures",)
    ]
    if show not in measures:
        raise SchemaError(f"show: there is no measure '{show}'.\n  {suggestion(show, measures)}")
    points = study if study["status"].dims else study.expand_dims("point")
    frame = points[["status", "reason"]].to_dataframe().reset_index()
    paths = [str(name) for name in study.coords if name not in ("lung", "case")]
    columns = {
        path: Column(heading=path, unit=study[path].attrs.get("units", ""), show=significant) for path in paths
    }
    lungs = [f"lung {name}" for name in study["lung"].values] if "lung" in study[show].dims else ["value"]
    frame[lungs] = points[show].transpose(*points["status"].dims, ...).values.reshape(len(frame), -1)
    columns |= {name: Column(heading=name, unit=VARIABLES[show].units, show=significant) for name in lungs}
    frame["outcome"] = [_outcome(*row) for row in frame[["status", "reason"]].itertuples(index=False)]
    if (frame["outcome"] != "").any():
        columns["outcome"] = Column(heading="remark")
    frame = frame[[*paths, *lungs, "outcome"]]
    shown = Section(name="points", frame=frame, columns=columns, most_rows=_MOST_POINTS)
    return Table(title=VARIABLES[show].long_name, sections=[shown], caution=CAUTION)


def _outcome(status: str, reason: str) -> str:
    """Why a point has no breath, or that the flow limit acts, in one line; nothing for an ordinary breath."""
    first = reason.partition("\n")[0].removeprefix(f"{status}: ")
    return "" if status == "finished" else f"{status}: {first}" if reason else status


@public
def sizing_table(sizing: Sizing | xr.Dataset) -> Table:
    """A sizing answer: values, targets, what each lung gets before and after, and what might be made.

    Parameters
    ----------
    sizing : Sizing or xarray.Dataset
        Result of :func:`ventsim.studies.size_restrictors`, or its `results`.

    Returns
    -------
    Table
        Its DataFrames are ``"values"``, ``"targets"``, ``"lungs"``, ``"sensitivities"``, and ``"options for ..."``
        each value that is a hole.

    Raises
    ------
    SchemaError
        If the Dataset is not such a result.

    Examples
    --------
    ``print(sizing_table(size_restrictors(scenario, targets=...)))``
    """
    found = sizing.results if isinstance(sizing, Sizing) else sizing
    if not isinstance(found, xr.Dataset) or "feasible" not in found or "option_bore" not in found:
        what = "this is no result of a sizing.\n  Give what size_restrictors(...) returns."
        raise SchemaError(f"sizing_table: {what}")
    verdict = "All targets are met." if bool(found["feasible"]) else "The targets cannot be met within the limits."
    kinds = found["option_kind"].values
    notes = [f"Drills: {found.attrs['drills']}."] if "drill" in kinds else []
    if "printed" in kinds:
        notes.append("Printed holes: eight pairs of printer and material, see ventsim.printed_bore.")
    if found.attrs["notes"]:
        notes.append(_indented("Note:", str(found.attrs["notes"])))
    return Table(
        title=_indented(verdict, str(found.attrs["reason"])),
        sections=[_values(found), _targets(found), _lungs(found), _sensitivities(found), *_options(found)],
        notes=notes,
        caution=CAUTION,
    )


def _indented(first: str, text: str) -> str:
    return "\n".join([first, *(f"  {line}" for line in text.splitlines())])


def _values(found: xr.Dataset) -> Section:
    headings = {
        "value": "value",
        "value_before": "before",
        "low_limit": "lower limit",
        "high_limit": "upper limit",
    }
    columns = {name: Column(heading=heading, show=_VALUE) for name, heading in headings.items()}
    columns["quantity_unit"] = Column(heading="unit")
    frame = found[[*headings, "equivalent_bore", "limit_hit"]].to_dataframe()
    if frame["equivalent_bore"].notna().any():
        columns["equivalent_bore"] = Column(heading="hole", unit="mm")
    if (frame["limit_hit"] != "").any():
        columns["limit_hit"] = Column(heading="stands at its limit")
    return Section(name="values", frame=frame, columns=columns)


def _targets(found: xr.Dataset) -> Section:
    columns = {
        "target_lung": Column(heading="lung"),
        "target_measure": Column(heading="target"),
        "wanted": Column(heading="wanted", show=_WANTED),
        "reached": Column(heading="reached", show=_WANTED),
        "unit": Column(heading="unit"),
        "relative_miss": Column(heading="miss", unit="1", show=_MISS, shown_unit="%"),
    }
    frame = (
        found[["wanted", "reached", "relative_miss"]].to_dataframe().set_index(["target_lung", "target_measure"])
    )
    frame["unit"] = [VARIABLES[measure].units for _, measure in frame.index]
    return Section(name="targets", frame=frame.rename(index=in_words, level="target_measure"), columns=columns)


def _lungs(found: xr.Dataset) -> Section:
    """Two rows for each lung."""
    when = ("before", "after")
    index = pd.MultiIndex.from_product([found["lung"].values, when], names=["lung", ""])
    values = {
        name: np.stack([found[f"{name}_{time}"].values for time in when], axis=-1).ravel()
        for name in BEFORE_AND_AFTER
    }
    frame = pd.DataFrame(values, index=index)
    columns = {name: VARIABLES[measure].column for name, measure in BEFORE_AND_AFTER.items()}
    return Section(name="lungs", frame=frame, columns=columns)


def _sensitivities(found: xr.Dataset) -> Section:
    frame = _by_lung(found["tidal_volume_sensitivity"], "quantity")
    columns = {name: Column(heading=str(name), unit="mL", show=_EFFECT) for name in frame}
    steps = zip(found["sensitivity_step"].values, found["quantity_unit"].values, strict=True)
    frame["step"] = [f"{significant(step)} {unit}" for step, unit in steps]
    columns = {"step": Column(heading="for each"), **columns}
    return Section(name="sensitivities", frame=frame, columns=columns, title="Change of tidal volume")


def _options(found: xr.Dataset) -> list[Section]:
    """A section for each value that is a hole."""
    frame = _by_lung(found["option_tidal_volume"], "option")
    columns = {"bore": Column(heading="bore", unit="mm")}
    columns |= {str(name): Column(heading=str(name), unit="mL") for name in frame}
    frame["bore"] = found["option_bore"].values
    frame.index = pd.Index(found["option_name"].values, name="hole")
    return [
        Section(
            name=f"options for {path}",
            frame=frame[found["option_quantity"].values == path],
            columns=columns,
            title=f"What might be made for {path}, and the tidal volumes that it would give",
        )
        for path in dict.fromkeys(found["option_quantity"].values.tolist())
    ]
