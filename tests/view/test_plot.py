"""Pictures: labels, units, number of lines and the data in them."""

import importlib
import pkgutil
import subprocess
import sys
from itertools import product
from types import ModuleType

import matplotlib as mpl
import numpy as np
import pytest
import xarray as xr

from ventsim.errors import SchemaError
from ventsim.results.schema import label
from ventsim.view import plot
from ventsim.view.plot import COLOURS, loops, shares, sweep_lines
from ventsim.view.plot.style import in_lines

mpl.use("Agg")
import matplotlib.pyplot as plt

PERIOD, RISE = 4.0, 1.0  # duration of a breath and of its inspiration [s]


@pytest.fixture(autouse=True)
def _no_figure_is_left_open():
    yield
    plt.close("all")


def invented_waves(lungs=2, breaths=3, names=None):
    """Triangular volumes with square pressure, different for each lung, and a quarter of one more breath."""
    starts = PERIOD * np.arange(breaths + 1)
    switches = np.concatenate([starts, starts + RISE])
    time = np.union1d(np.arange(0.0, starts[-1] + 0.9, 0.1), np.r_[switches, np.nextafter(switches, -np.inf)])
    time = time[(time >= 0) & (time <= starts[-1] + 0.9)]
    k = np.searchsorted(starts, time, side="right") - 1
    inspiration = time < starts[k] + RISE
    phase = np.where(inspiration, (time - starts[k]) / RISE, 1 - (time - starts[k] - RISE) / (PERIOD - RISE))
    size = np.arange(1, lungs + 1)
    data = {
        "airway_pressure": (("time", "lung"), 5.0 + np.outer(10.0 * inspiration, size)),
        "flow": (("time", "lung"), np.outer(np.where(inspiration, 0.3, -0.1), size)),
        "volume": (("time", "lung"), np.outer(300 * phase, size)),
        "breath_start": ("breath", starts),
        "inspiration_end": ("breath", starts + RISE),
        "breath_end": ("breath", np.r_[starts[1:], starts[-1] + PERIOD]),
    }
    names = names or [f"lung {chr(97 + j)}" for j in range(lungs)]
    return label(xr.Dataset(data, coords={"time": time, "lung": names, "breath": np.arange(1, breaths + 2)}))


def invented_measures(volumes, names=None):
    volumes = np.asarray(volumes, dtype=float)
    data = {
        "tidal_volume_fraction": (("breath", "lung"), [volumes / volumes.sum()]),
        "inspired_tidal_volume": (("breath", "lung"), [volumes]),
    }
    names = names or [f"lung {chr(97 + j)}" for j in range(volumes.size)]
    return label(xr.Dataset(data, coords={"breath": [9], "lung": names}))


def lines_of_lungs(ax):
    return [line for line in ax.lines if not line.get_label().startswith("_")]


@pytest.mark.parametrize("lungs", [1, 2, 4, 8])
def test_waveforms_show_every_lung_with_units(lungs):
    waveforms = invented_waves(lungs)
    axes = plot.waveforms(waveforms)
    assert [ax.get_ylabel() for ax in axes] == ["airway pressure [cmH2O]", "flow [L/min]", "volume [mL]"]
    assert axes[-1].get_xlabel() == "time [s]"
    for ax, name, factor in zip(axes, ("airway_pressure", "flow", "volume"), (1.0, 60.0, 1.0), strict=True):
        lines = lines_of_lungs(ax)
        assert [line.get_label() for line in lines] == waveforms.lung.values.tolist()
        for j, line in enumerate(lines):
            np.testing.assert_array_equal(line.get_xdata(), waveforms.time.values)
            # 1 L/s = 60 L/min
            np.testing.assert_allclose(line.get_ydata(), factor * waveforms[name].values[:, j], rtol=1e-15)
    assert [text.get_text() for text in axes[0].get_legend().get_texts()] == waveforms.lung.values.tolist()


def test_flow_in_the_unit_of_the_data():
    waveforms = invented_waves()
    axes = plot.waveforms(waveforms, flow_unit="L/s")
    assert axes[1].get_ylabel() == "flow [L/s]"
    np.testing.assert_array_equal(lines_of_lungs(axes[1])[0].get_ydata(), waveforms.flow.values[:, 0])


def test_last_breaths_are_whole():
    """Breaths 2 and 3 of three and a bit: from 4 s to just before 12 s."""
    axes = plot.waveforms(invented_waves(), breaths=2)
    shown = lines_of_lungs(axes[0])[0].get_xdata()
    assert shown[0] == 4.0
    assert shown[-1] == np.nextafter(12.0, 0.0)


@pytest.mark.parametrize("breaths", [0, 4])
def test_breaths_that_are_not_there(breaths):
    with pytest.raises(
        SchemaError, match=rf"the last {breaths} breaths: there are 3 whole ones\.\n  Choose 1 to 3"
    ):
        plot.waveforms(invented_waves(), breaths=breaths)


def test_waveforms_draw_on_given_axes():
    figure, axes = plt.subplots(1, 3)
    drawn = plot.waveforms(invented_waves(), axes=axes)
    assert [ax is given for ax, given in zip(drawn, axes, strict=True)] == [True] * 3
    assert drawn[0].figure is figure
    with pytest.raises(
        SchemaError, match=r"waveforms needs 3 Axes \(pressure, flow and volume\); it got 2\.\n  Use plt.subplots"
    ):
        plot.waveforms(invented_waves(), axes=axes[:2])


def test_no_module_hides_a_function():
    """Importing all modules of the package leaves its functions what they are."""
    for module in pkgutil.walk_packages(plot.__path__, f"{plot.__name__}."):
        importlib.import_module(module.name)
    assert [name for name in plot.__all__ if isinstance(getattr(plot, name), ModuleType)] == []


def test_input_is_not_changed():
    waveforms = invented_waves()
    before = waveforms.copy(deep=True)
    plot.waveforms(waveforms, breaths=1)
    loops(waveforms)
    xr.testing.assert_identical(waveforms, before)


def test_missing_or_unlabelled_variables():
    waveforms = invented_waves()
    with pytest.raises(
        SchemaError, match=r"'volume' is missing, .*\n  ventsim\.results\.measures\.integrate_recording adds"
    ):
        plot.waveforms(waveforms.drop_vars("volume"))
    with pytest.raises(SchemaError, match=r"'breath_end' is missing, .*\n  Add it"):
        loops(waveforms.drop_vars("breath_end"))
    with pytest.raises(
        SchemaError, match=r"these are waveforms; measures of breaths are needed here\.\n  ventsim\.b"
    ):
        shares(waveforms)
    waveforms["flow"].attrs["units"] = "L/min"
    with pytest.raises(SchemaError, match=r"'flow' is not labelled in L/s"):
        plot.waveforms(waveforms)


def test_loops_are_closed_and_of_one_breath():
    """Breath 3 of the invented waveforms: pressures 5 to 15 and 25 cmH2O, volumes 0 to 300 and 600 mL."""
    ax = loops(invented_waves())
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("airway pressure [cmH2O]", "volume [mL]")
    for size, line in enumerate(lines_of_lungs(ax), start=1):
        x, y = line.get_data()
        assert (x.min(), x.max()) == (5.0, 5.0 + 10.0 * size)
        assert (y.min(), y.max()) == pytest.approx((0.0, 300.0 * size), abs=1e-9)
        assert (x[0], y[0]) == pytest.approx((x[-1], y[-1]), abs=1e-9)


def test_loop_of_a_chosen_breath():
    waveforms = invented_waves()
    changed = label(
        waveforms.assign(volume=waveforms.volume.where(waveforms.time >= PERIOD, 0.5 * waveforms.volume))
    )
    assert lines_of_lungs(loops(changed, breath=1))[0].get_ydata().max() == pytest.approx(150.0)  # half of 300 mL
    with pytest.raises(SchemaError, match=r"breath 4 is not in the Dataset\.\n  It has breaths 1 to 3"):
        loops(waveforms, breath=4)  # of breath 4 there is only a part


def test_shares_are_written_beside_bars():
    """Volumes 300 and 100 mL: 75 and 25 %."""
    ax = shares(invented_measures([300, 100]))
    assert [bar.get_width() for bar in ax.patches] == [75.0, 25.0]
    texts = [text.get_text() for text in ax.texts]
    assert texts == ["300 mL (75.0 %)", "100 mL (25.0 %)"]
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["lung a", "lung b"]
    assert ax.get_xlabel() == "share of the inspired volume of all lungs [%]"
    assert ax.get_title(loc="left") == "breath 9"
    (equal,) = lines_of_lungs(ax)
    assert set(equal.get_xdata()) == {50.0}  # two lungs


def overlaps(boxes):
    return [(i, j) for i, a in enumerate(boxes) for j, b in enumerate(boxes[:i]) if a.overlaps(b)]


@pytest.mark.parametrize(("lungs", "long"), list(product([1, 2, 4, 8], [False, True])))
def test_no_texts_overlap(lungs, long):
    """Names, labels and legends stay clear of each other and inside the picture."""
    names = [f"ward 3, bed {j + 1}" if long else f"lung {chr(97 + j)}" for j in range(lungs)]
    waveforms = invented_waves(lungs, names=names)
    pictures = [
        plot.waveforms(waveforms),
        loops(waveforms),
        shares(invented_measures(100 + 40 * np.arange(lungs), names)),
    ]
    for picture in pictures:
        figure = np.atleast_1d(picture)[0].figure
        figure.canvas.draw()
        texts = [text for ax in figure.axes for text in (ax.xaxis.label, ax.yaxis.label, *ax.texts)]
        legends = [text for ax in figure.axes if ax.get_legend() for text in ax.get_legend().get_texts()]
        boxes = [text.get_window_extent() for text in (*texts, *legends) if text.get_text()]
        assert overlaps(boxes) == []
        assert all(figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1 for box in boxes)
        assert all(figure.bbox.y0 <= box.y0 and box.y1 <= figure.bbox.y1 for box in boxes)


def test_lungs_differ_in_colour_and_in_pattern():
    """Eight lungs: eight colours and patterns, so that grey print will do; 20 lungs: still all different."""
    lines = lines_of_lungs(loops(invented_waves(8)))
    assert [line.get_color() for line in lines] == list(COLOURS)
    assert len({str(line._unscaled_dash_pattern) for line in lines}) == 8
    more = lines_of_lungs(loops(invented_waves(20)))
    assert len({(line.get_color(), str(line._unscaled_dash_pattern)) for line in more}) == 20


def test_palette_is_that_of_okabe_and_ito():
    """Color Universal Design, 2008 (from memory), as RGB of 0 to 255."""
    palette = {
        (0, 0, 0),
        (230, 159, 0),
        (86, 180, 233),
        (0, 158, 115),
        (240, 228, 66),
        (0, 114, 178),
        (213, 94, 0),
        (204, 121, 167),
    }
    assert {tuple(round(255 * c) for c in mpl.colors.to_rgb(colour)) for colour in COLOURS} == palette


def test_importing_plot_does_not_import_matplotlib():
    code = "import sys, ventsim.view.plot; assert 'matplotlib' not in sys.modules, 'imported too early'"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# --- labels that are too long, and pictures beside each other ---------------------------------------------------

PATH = "parts.b inspiratory restrictor.bore"
MEANING = "b inspiratory restrictor: diameter of the hole as designed"


def invented_sweep():
    """Volumes of two lungs over four bores."""
    data = {
        "inspired_tidal_volume": (
            ("bore", "lung"),
            [[400.0, 200.0], [410.0, 300.0], [415.0, 350.0], [417.0, 380.0]],
        )
    }
    found = label(xr.Dataset(data, coords={"bore": [3.0, 4.0, 5.0, 6.0], "lung": ["a", "b"]}))
    found["bore"].attrs = {"units": "mm", "long_name": MEANING, "path": PATH}
    return found


@pytest.mark.parametrize(
    ("text", "inches", "lines"),
    [
        # A letter of type of 10 points is taken as 0.54 · 10/72 = 0.075 inch wide: 23 letters are 1.73 inches.
        ("airway pressure [cmH2O]", 1.75, ["airway pressure [cmH2O]"]),
        ("airway pressure [cmH2O]", 1.7, ["airway pressure", "[cmH2O]"]),
        (f"{MEANING} [mm]", 3.0, ["b inspiratory restrictor:", "diameter of the hole as designed [mm]"]),
        (f"{MEANING} [mm]", 1.0, ["b inspiratory restrictor: diameter", "of the hole as designed [mm]"]),
        ("[cmH2O·s²/L²]", 0.1, ["[cmH2O·s²/L²]"]),
    ],
)
def test_long_labels_take_two_lines(text, inches, lines):
    assert in_lines(text, inches).split("\n") == lines


@pytest.mark.parametrize("layout", ["constrained", None])
@pytest.mark.parametrize("height", [3.6, 4.5, 8.5])
def test_labels_of_waveforms_fit_low_pictures(height, layout):
    """Measured on the drawn picture: no label reaches into the next; two lines only where they must be."""
    figure, axes = plt.subplots(3, 1, sharex=True, figsize=(7.5, height), layout=layout)
    plot.waveforms(invented_waves(), axes=axes)
    figure.canvas.draw()
    boxes = [ax.yaxis.label.get_window_extent() for ax in axes]
    assert overlaps(boxes) == []
    wanted = "airway pressure [cmH2O]" if height == 8.5 else "airway pressure\n[cmH2O]"
    assert axes[0].get_ylabel() == wanted


@pytest.mark.parametrize("layout", ["constrained", None])
def test_labels_of_sweeps_beside_each_other_do_not_meet(layout):
    """Measured on the drawn picture."""
    figure, axes = plt.subplots(1, 2, sharey=True, figsize=(8.0, 3.0), layout=layout)
    for ax in axes:
        sweep_lines(invented_sweep(), "inspired_tidal_volume", axes=[ax])
        ax.label_outer()
    figure.canvas.draw()
    assert overlaps([ax.xaxis.label.get_window_extent() for ax in axes]) == []
    assert axes[0].get_xlabel() == "b inspiratory restrictor:\ndiameter of the hole as designed [mm]"


def test_a_sweep_beside_another_needs_no_second_legend():
    _, axes = plt.subplots(1, 2)
    sweep_lines(invented_sweep(), "inspired_tidal_volume", axes=[axes[0]])
    sweep_lines(invented_sweep(), "inspired_tidal_volume", legend=False, axes=[axes[1]])
    assert [text.get_text() for text in axes[0].get_legend().get_texts()] == ["a", "b"]
    assert axes[1].get_legend() is None
    assert len(lines_of_lungs(axes[1])) == 2


def test_lungs_that_coincide_are_named():
    """Two of three invented lungs are the same; the third is not."""
    waveforms = invented_waves(3)
    same = waveforms.copy(deep=True)
    for name in ("airway_pressure", "flow", "volume"):
        same[name][:, 2] = same[name][:, 0]
    assert plot.waveforms(same)[-1].get_xlabel() == "time [s]\nlung a, lung c coincide"
    assert plot.waveforms(waveforms)[-1].get_xlabel() == "time [s]"
    # What is not there lies upon nothing; lines with the same gaps can lie upon each other.
    same["flow"][:, 2] = np.nan
    assert plot.waveforms(same)[-1].get_xlabel() == "time [s]"
    same["flow"][:] = np.nan
    assert plot.waveforms(same)[-1].get_xlabel() == "time [s]\nlung a, lung c coincide"


def test_arrow_of_a_loop_points_up():
    """Volume rises in inspiration (invented waveforms), so that the arrow ends above its beginning."""
    ax = loops(invented_waves(2))
    assert len(ax.texts) == 2
    for arrow in ax.texts:
        assert arrow.xy[1] > arrow.xyann[1]
