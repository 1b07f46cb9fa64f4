"""What studies found, as tables."""

from collections.abc import Sequence
from functools import partial

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.errors import SchemaError, suggestion
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
    columns = {
        name: Column(heading=name, unit="%", show=_CHANGE, mark=f"unseen in {name}") for name in _lung_names(found)
    }
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
    alarms = [_first_alarm(one.sel(fault=fault)) for fault in one["fault"].values]
    columns = dict(
        zip(_lung_names(one), one["tidal_volume_change"].transpose("lung", "fault").values, strict=True)
    )
    unseen = one["unseen"].transpose("lung", "fault").values == 1.0
    columns |= {f"unseen in {name}": row for name, row in zip(_lung_names(one), unseen, strict=True)}
    columns |= {
        "displayed expired": expired,
        "displayed peak": one["displayed_peak_pressure_change"].values,
        "alarm after": [after for _, after in alarms],
        "first alarm": [name for name, _ in alarms],
    }
    return pd.DataFrame(columns, index=pd.Index([str(name) for name in one["fault"].values], name="fault"))


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
    dims = [str(dim) for dim in study[show].dims if dim != "lung"]
    flat = study[[show, "status", "reason"]]
    flat = flat.stack(point=dims, create_index=False) if dims else flat.expand_dims("point")
    paths = [str(name) for name in study.coords if name not in ("lung", "case")]
    frame = pd.DataFrame({path: np.broadcast_to(flat[path].values, flat.sizes["point"]) for path in paths})
    columns = {
        path: Column(heading=path, unit=study[path].attrs.get("units", ""), show=significant) for path in paths
    }
    has_lungs = "lung" in flat[show].dims
    names = _lung_names(flat) if has_lungs else ["value"]
    numbers = flat[show].transpose("lung", "point").values if has_lungs else [flat[show].values]
    for name, values in zip(names, numbers, strict=True):
        frame[name] = values
        columns[name] = Column(heading=name, unit=VARIABLES[show].units, show=significant)
    pairs = zip(flat["status"].values, flat["reason"].values, strict=True)
    frame["outcome"] = [_outcome(str(status), str(reason)) for status, reason in pairs]
    if (frame["outcome"] != "").any():
        columns["outcome"] = Column(heading="why there is no breath")
    points = Section(name="points", frame=frame, columns=columns, most_rows=_MOST_POINTS)
    return Table(title=VARIABLES[show].long_name, sections=[points], caution=CAUTION)


def _outcome(status: str, reason: str) -> str:
    """Why a point has no breath, in one line; nothing if it has."""
    first = reason.partition("\n")[0].removeprefix(f"{status}: ")
    return "" if status == "finished" else f"{status}: {first}"


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
        raise SchemaError(
            "sizing_table: this is no result of a sizing.\n  Give what size_restrictors(...) returns."
        )
    verdict = "All targets are met." if bool(found["feasible"]) else "The targets cannot be met within the limits."
    kinds = found["option_kind"].values
    notes = [f"Drills: {found.attrs['drills']}."] if "drill" in kinds else []
    if "printed" in kinds:
        notes.append("Printed holes: eight pairs of printer and material, see ventsim.parts.printed_bore.")
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


def _lung_names(found: xr.Dataset) -> list[str]:
    """Names of the columns that belong to lungs."""
    return [f"lung {name}" for name in found["lung"].values]


def _index(found: xr.Dataset, name: str) -> pd.Index:
    return pd.Index([str(label) for label in found[name].values], name=name)


def _values(found: xr.Dataset) -> Section:
    columns = {
        "value": Column(heading="value", show=_VALUE),
        "value_before": Column(heading="before", show=_VALUE),
        "low_limit": Column(heading="lower limit", show=_VALUE),
        "high_limit": Column(heading="upper limit", show=_VALUE),
        "quantity_unit": Column(heading="unit"),
        "equivalent_bore": Column(heading="hole", unit="mm"),
        "limit_hit": Column(heading="stands at its limit"),
    }
    frame = pd.DataFrame({name: found[name].values for name in columns}, index=_index(found, "quantity"))
    needless = set() if frame["equivalent_bore"].notna().any() else {"equivalent_bore"}
    needless |= set() if (frame["limit_hit"] != "").any() else {"limit_hit"}
    shown = {name: column for name, column in columns.items() if name not in needless}
    return Section(name="values", frame=frame, columns=shown)


def _targets(found: xr.Dataset) -> Section:
    columns = {
        "wanted": Column(heading="wanted", show=_WANTED),
        "reached": Column(heading="reached", show=_WANTED),
        "unit": Column(heading="unit"),
        "relative_miss": Column(heading="miss", unit="1", show=_MISS, shown_unit="%"),
    }
    measures = [str(name) for name in found["target_measure"].values]
    index = pd.MultiIndex.from_arrays(
        [found["target_lung"].values, [in_words(name) for name in measures]], names=["lung", "target"]
    )
    numbers = {name: found[name].values for name in columns if name in found}
    frame = pd.DataFrame({**numbers, "unit": [VARIABLES[name].units for name in measures]}, index=index)
    return Section(name="targets", frame=frame, columns=columns)


def _lungs(found: xr.Dataset) -> Section:
    """Two rows for each lung."""
    when = ("before", "after")
    index = pd.MultiIndex.from_product([_index(found, "lung"), when], names=["lung", ""])
    frame = pd.DataFrame(
        {
            name: np.stack([found[f"{name}_{time}"].values for time in when], axis=-1).ravel()
            for name in BEFORE_AND_AFTER
        },
        index=index,
    )
    columns = {name: VARIABLES[measure].column for name, (measure, _, _) in BEFORE_AND_AFTER.items()}
    return Section(name="lungs", frame=frame, columns=columns)


def _sensitivities(found: xr.Dataset) -> Section:
    steps = zip(found["sensitivity_step"].values, found["quantity_unit"].values, strict=True)
    frame = pd.DataFrame(
        found["tidal_volume_sensitivity"].transpose("quantity", "lung").values,
        index=_index(found, "quantity"), columns=_lung_names(found),
    )  # fmt: skip
    columns = {name: Column(heading=name, unit="mL", show=_EFFECT) for name in _lung_names(found)}
    frame.insert(0, "step", [f"{significant(step)} {unit}" for step, unit in steps])
    return Section(
        name="sensitivities", frame=frame, columns={"step": Column(heading="for each"), **columns},
        title="Change of tidal volume",
    )  # fmt: skip


def _options(found: xr.Dataset) -> Sequence[Section]:
    """A section for each value that is a hole."""
    sections = []
    columns = {
        "bore": Column(heading="bore", unit="mm"),
        **{name: Column(heading=name, unit="mL") for name in _lung_names(found)},
    }
    for path in dict.fromkeys(found["option_quantity"].values.tolist()):
        these = found.isel(option=found["option_quantity"].values == path)
        frame = pd.DataFrame(
            these["option_tidal_volume"].transpose("option", "lung").values,
            index=_index(these, "option_name").rename("hole"), columns=_lung_names(found),
        )  # fmt: skip
        frame.insert(0, "bore", these["option_bore"].values)
        title = f"What might be made for {path}, and the tidal volumes that it would give"
        sections.append(Section(name=f"options for {path}", frame=frame, columns=columns, title=title))
    return sections
