"""A sizing answer as text."""

import numpy as np
import xarray as xr

from ventsim.errors import SchemaError
from ventsim.studies.sizing.restrictors import Sizing


def sizing_table(sizing: Sizing | xr.Dataset, *, caution: bool = True) -> str:
    """A sizing answer as text: values, targets, what each lung gets before and after, and what might be made.

    Parameters
    ----------
    sizing : Sizing or xarray.Dataset
        Result of :func:`ventsim.studies.size_restrictors`, or its `results`.
    caution : bool, default True
        Whether to end with a line of caution; False: for text in which it stands already.

    Returns
    -------
    str
        Lines of fixed-width text.

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
    verdict = "All targets are met." if bool(found.feasible) else "The targets cannot be met within the limits."
    lines = [verdict, *_indented(str(found.attrs["reason"])), ""]
    lines += [*_values(found), "", *_targets(found), "", *_lungs(found), "", *_sensitivities(found)]
    if found.sizes["option"]:
        lines += ["", *_options(found)]
    if found.attrs["notes"]:
        lines += ["", "Note:", *_indented(str(found.attrs["notes"]))]
    return "\n".join([*lines, "", str(found.attrs["caution"])] if caution else lines)


def _indented(text: str) -> list[str]:
    return [f"  {line}" for line in text.splitlines()]


def _values(found: xr.Dataset) -> list[str]:
    names = [str(name) for name in found.quantity.values]
    width = max(map(len, names))
    lines = [f"{'':{width}}  {'value':>10}  {'before':>10}  {'limits':>20}  {'hole [mm]':>9}  unit"]
    for name in names:
        one = found.sel(quantity=name)
        limits = f"{float(one.low_limit):.5g} to {float(one.high_limit):.5g}"
        bore = float(one.equivalent_bore)
        hole = f"{bore:9.2f}" if np.isfinite(bore) else f"{'':9}"
        hit = f"  at its {one.limit_hit.item()} limit" if str(one.limit_hit.item()) else ""
        lines.append(
            f"{name:{width}}  {float(one.value):10.5g}  {float(one.value_before):10.5g}  {limits:>20}  {hole}"
            f"  {one.quantity_unit.item()}{hit}"
        )
    return lines


def _targets(found: xr.Dataset) -> list[str]:
    names = [f"{lung}: {str(measure).replace('_', ' ')}" for lung, measure in _lungs_and_measures(found)]
    width = max(map(len, names))
    lines = [f"{'target':{width}}  {'wanted':>9}  {'reached':>9}  {'miss [%]':>9}"]
    for k, name in enumerate(names):
        one = found.isel(target=k)
        cells = (float(one.wanted), float(one.reached), round(100.0 * float(one.relative_miss), 3) + 0.0)
        lines.append(f"{name:{width}}  {cells[0]:9.2f}  {cells[1]:9.2f}  {cells[2]:9.3f}")
    return lines


def _lungs_and_measures(found: xr.Dataset) -> list[tuple[str, str]]:
    return list(zip(map(str, found.target_lung.values), map(str, found.target_measure.values), strict=True))


def _lungs(found: xr.Dataset) -> list[str]:
    columns = {
        "tidal_volume": ("tidal volume [mL]", 1), "driving_pressure": ("driving [cmH2O]", 2),
        "end_inspiratory_pressure": ("end-insp. [cmH2O]", 2), "auto_peep": ("auto-PEEP [cmH2O]", 2),
    }  # fmt: skip
    width = max(4, *(len(str(lung)) for lung in found.lung.values))
    heads = "  ".join(f"{head:>19}" for head, _ in columns.values())
    lines = [f"{'lung':{width}}  {heads}   (before > after)"]
    for lung in found.lung.values:
        one = found.sel(lung=lung)
        cells = [
            f"{float(one[f'{name}_before']):.{digits}f} > {float(one[f'{name}_after']):.{digits}f}"
            for name, (_, digits) in columns.items()
        ]
        lines.append(f"{lung!s:{width}}  " + "  ".join(f"{cell:>19}" for cell in cells))
    return lines


def _sensitivities(found: xr.Dataset) -> list[str]:
    lines = ["Change of tidal volume [mL]"]
    for name in found.quantity.values:
        one = found.sel(quantity=name)
        step = f"{float(one.sensitivity_step):g} {one.quantity_unit.item()}"
        cells = [
            f"{lung} {round(float(change), 2) + 0.0:+.2f}"
            for lung, change in zip(one.lung.values, one.tidal_volume_sensitivity.values, strict=True)
        ]
        lines.append(f"  for each {step} of {name}: {', '.join(cells)}")
    return lines


def _options(found: xr.Dataset) -> list[str]:
    lungs = [str(lung) for lung in found.lung.values]
    names = [str(name) for name in found.option_name.values]
    width = max(18, *map(len, names))
    lines = ["What might be made, and the tidal volumes [mL] that it would give"]
    last = ""
    for k, name in enumerate(names):
        one = found.isel(option=k)
        if str(one.option_quantity.item()) != last:
            last = str(one.option_quantity.item())
            heads = "  ".join(f"{lung:>9}" for lung in lungs)
            lines += [f"  for {last}", f"    {'':{width}}  {'bore [mm]':>9}  {heads}"]
        cells = "  ".join(f"{float(volume):9.1f}" for volume in one.option_tidal_volume.values)
        lines.append(f"    {name:{width}}  {float(one.option_bore):9.2f}  {cells}")
    if "drill" in found.option_kind.values:
        lines.append(f"  drills: {found.attrs['drills']}")
    if "printed" in found.option_kind.values:
        lines.append("  printed holes: eight pairs of printer and material, see ventsim.parts.printed_bore")
    return lines
