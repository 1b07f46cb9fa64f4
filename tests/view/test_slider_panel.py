"""The panel of sliders: alone, and in JupyterLab in a browser."""

import base64
import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import nbformat
import pytest

import ventsim as vs
from ventsim import laws, panel
from ventsim.errors import InputError, PlausibilityWarning, SolverError
from ventsim.model.ventilator import BreathSettings, Segment
from ventsim.view.panel import sliders_for

CHROMIUM, CHROMEDRIVER = shutil.which("chromium"), shutil.which("chromedriver")
PATIENCE = 60  # longer than any step ever takes [s]

PRESSURE = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
VOLUME = vs.VolumeControl(tidal_volume=800, peep=5, rate=14, ie_ratio=0.5)


def lungs(*, compliance_b: float) -> dict[str, vs.Lung]:
    """The lungs of the panel at its start, but for the compliance of b."""
    return {
        "a": vs.Lung(compliance=50, resistance=10),
        "b": vs.Lung(compliance=compliance_b, resistance=10),
    }


def picture_bytes(settings: vs.PressureControl | vs.VolumeControl, *, compliance_b: float) -> bytes:
    return panel.BreathPicture(lungs(compliance_b=compliance_b), settings).png()


def inside(widget: object, kind: str) -> list:
    """All widgets of a class in a panel, from top to bottom."""
    own = [widget] if type(widget).__name__ == kind else []
    return own + [found for child in getattr(widget, "children", ()) for found in inside(child, kind)]


def test_picture_follows_with_the_same_lines_and_bars():
    """Volumes of README.md at first; after a change and back the picture is the same to the byte."""
    picture = panel.BreathPicture(lungs(compliance_b=25), PRESSURE)
    first, lines = picture.png(), [line for ax in picture.figure.axes for line in ax.lines]
    equal = picture.redraw(lungs(compliance_b=50), VOLUME)
    assert equal["a"] == pytest.approx(equal["b"], rel=1e-9)
    assert picture.png() == picture_bytes(VOLUME, compliance_b=50) != first
    volumes = picture.redraw(lungs(compliance_b=25), PRESSURE)
    assert {name: round(volume, 1) for name, volume in volumes.items()} == {"a": 515.9, "b": 283.3}
    assert picture.png() == first
    assert [line for ax in picture.figure.axes for line in ax.lines] == lines
    assert [len(ax.patches) for ax in picture.figure.axes] == [0, 0, 2]


def test_picture_of_a_scenario_is_that_of_its_lungs():
    """The default circuit is that of layouts.shared; a circuit of one's own is shown as it is."""
    circuit = vs.layouts.shared(lungs(compliance_b=25))
    first = picture_bytes(PRESSURE, compliance_b=25)
    assert panel.BreathPicture(circuit, PRESSURE).png() == first
    assert panel.BreathPicture(vs.Scenario(circuit=circuit, settings=PRESSURE)).png() == first
    ideal = vs.layouts.shared(lungs(compliance_b=25), ideal=True)
    assert panel.BreathPicture(ideal, PRESSURE).png() != first


def test_picture_refuses_other_lungs():
    picture = panel.BreathPicture(lungs(compliance_b=25), PRESSURE)
    with pytest.raises(InputError, match="the picture shows lungs a, b, not a, c"):
        picture.redraw(
            {"a": vs.Lung(compliance=50, resistance=10), "c": vs.Lung(compliance=5, resistance=10)}, VOLUME
        )


def test_sliders_move_the_picture():
    pytest.importorskip("ipywidgets")
    sliders = panel.two_lungs()
    image, mode = inside(sliders, "Image")[0], inside(sliders, "ToggleButtons")[0]
    by_label = {slider.description: slider for slider in inside(sliders, "FloatSlider")}
    assert len(by_label) == 8
    assert image.value == picture_bytes(PRESSURE, compliance_b=25)
    by_label["compliance of b [mL/cmH2O]"].value = 30
    assert image.value == picture_bytes(PRESSURE, compliance_b=30)
    mode.value = "volume control"
    assert image.value == picture_bytes(VOLUME, compliance_b=30)
    hidden = [label for label, slider in by_label.items() if slider.layout.display == "none"]
    assert hidden == ["set pressure above PEEP [cmH2O]"]


# A newborn beside an adult, with values that lie between the steps and outside the range of the sliders.
OWN = {
    "left": vs.Lung(compliance=42.5, resistance=8, expiratory_resistance=12),
    "right": vs.Lung(compliance=3, resistance=60),
}
OWN_BREATH = vs.VolumeControl(tidal_volume=450, rate=18, inspiratory_time=1.1, pause_time=0.2, peep=7.5)


def test_panel_starts_with_lungs_and_settings_of_ones_own():
    pytest.importorskip("ipywidgets")
    sliders = panel.two_lungs(OWN, OWN_BREATH)
    image, mode = inside(sliders, "Image")[0], inside(sliders, "ToggleButtons")[0]
    assert image.value == panel.BreathPicture(OWN, OWN_BREATH).png() and mode.value == "volume control"
    by_label = {slider.description: slider for slider in inside(sliders, "FloatSlider")}
    starts = {label: slider.value for label, slider in by_label.items()}
    assert starts == {
        "compliance of left [mL/cmH2O]": 42.5, "resistance of left [cmH2O·s/L]": 8,
        "compliance of right [mL/cmH2O]": 3, "resistance of right [cmH2O·s/L]": 60,
        "set pressure above PEEP [cmH2O]": 12, "set volume [mL]": 450, "rate [1/min]": 18, "PEEP [cmH2O]": 7.5,
    }  # fmt: skip
    for slider in by_label.values():  # the start is met by the steps, so that the browser does not move it
        steps = (slider.value - slider.min) / slider.step
        assert steps == pytest.approx(round(steps), abs=1e-9)
    by_label["resistance of left [cmH2O·s/L]"].value = 20
    changed = OWN | {"left": vs.Lung(compliance=42.5, resistance=20, expiratory_resistance=12)}
    assert image.value == panel.BreathPicture(changed, OWN_BREATH).png()
    mode.value = "pressure control"
    breath = vs.PressureControl(inspiratory_pressure=12, rate=18, inspiratory_time=1.1, peep=7.5)
    assert image.value == panel.BreathPicture(changed, breath).png()


def test_a_slider_can_start_at_nothing():
    """CPAP: no pressure above PEEP, from which a slider has no steps of its own."""
    with pytest.warns(PlausibilityWarning, match="inspiratory_pressure 0 cmH2O"):
        breath = vs.PressureControl(inspiratory_pressure=0, rate=15, inspiratory_time=1)
    slider = sliders_for(vs.Scenario(circuit=vs.layouts.shared(OWN), settings=breath))["", "inspiratory_pressure"]
    assert [slider[key] for key in ("value", "min", "max", "step")] == [0.0, 0.0, 30.0, 1.0]


class OwnBreath(BreathSettings):
    """A breath of a user's own: pressure control under another name."""

    kind: ClassVar[str] = "own breath"

    @property
    def flow_time(self) -> float:
        return self.inspiratory_phase_time

    def inspiration(self) -> tuple[Segment, ...]:
        return PRESSURE.inspiration()


@pytest.mark.parametrize(
    ("lungs", "settings", "message"),
    [
        ([OWN["left"], OWN["right"]], None, r"got \[Lung.*\], but lungs by name .*\.\n  Give \{'a': Lung"),
        ({"a": OWN["left"]}, None, r"there are 1 lungs, the sliders are for 2\.\n  Give"),
        (
            OWN | {"left": vs.preset("ards-sigmoid")},
            None,
            r"lung 'left': compliance Sigmoid\(.*\); a slider shows a number, not a law .*\n  Give Lung",
        ),
        (
            OWN | {"left": vs.Lung(compliance=50, resistance=laws.Rohrer(linear=5, quadratic=8))},
            None,
            r"lung 'left': resistance Rohrer\(.*\); a slider shows a number, not a law .*\n  Give Lung",
        ),
        (
            OWN | {"left": vs.Lung(resistance=5, regions=[vs.Region(compliance=25, resistance=10)] * 2)},
            None,
            r"lung 'left': with regions; a slider shows a number, not a law or several regions\.\n  Give Lung",
        ),
        (None, 12.0, r"settings 12\.0 are of the wrong type; .*\n  Give PressureControl"),
        (None, OwnBreath(peep=5, rate=14, ie_ratio=0.5), r"settings OwnBreath.* is no breath .*\n  Give Pres"),
    ],
)
def test_panel_refuses_what_it_has_no_sliders_for(lungs, settings, message):
    with pytest.raises(InputError, match=message):
        panel.two_lungs(lungs, settings)


def test_panel_tells_what_fails_and_recovers(monkeypatch):
    pytest.importorskip("ipywidgets")
    sliders = panel.two_lungs()
    image, message = inside(sliders, "Image")[0], inside(sliders, "HTML")[0]
    slider, before = inside(sliders, "FloatSlider")[2], image.value

    def fail(*_: object) -> None:
        raise SolverError("no steady breath: pressures change by < 1 cmH2O")

    with monkeypatch.context() as patch:
        patch.setattr(panel.BreathPicture, "redraw", fail)
        slider.value = 30
    assert "change by &lt; 1 cmH2O" in message.value
    assert image.value == before
    slider.value = 25
    assert message.value == "" and image.value == before


def test_panel_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(ModuleNotFoundError, match=r"needs ipywidgets.*\n.*pip install"):
        panel.two_lungs()


def test_import_loads_neither_widgets_nor_pyplot():
    script = (
        "import sys, ventsim.view.panel; print({'ipywidgets', 'IPython', 'matplotlib.pyplot'} & set(sys.modules))"
    )
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert found.stdout == "set()\n"


@pytest.fixture
def laboratory(tmp_path) -> Iterator[str]:
    """Address of a running JupyterLab with a notebook that shows the panel."""
    pytest.importorskip("jupyterlab", reason="JupyterLab is not installed")
    pytest.importorskip("ipywidgets", reason="ipywidgets is not installed")
    work = tmp_path / "work"
    work.mkdir()
    cell = nbformat.v4.new_code_cell("from ventsim import panel\npanel.two_lungs()")
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(nbformat.v4.new_notebook(cells=[cell], metadata={"kernelspec": kernel}), work / "panel.ipynb")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token = secrets.token_hex(16)
    folders = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTERLAB_SETTINGS_DIR")
    folders += ("JUPYTERLAB_WORKSPACES_DIR", "IPYTHONDIR")
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}",
        "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={work}",
        "--ServerApp.terminals_enabled=False", "--LabApp.extension_manager=readonly", "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    ]  # fmt: skip
    log = tmp_path / "jupyter.log"
    with log.open("w") as out:
        environment = os.environ | {name: str(tmp_path / name.lower()) for name in folders}
        server = subprocess.Popen(command, env=environment, stdout=out, stderr=subprocess.STDOUT)
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(server, f"{address}/api/status?token={token}", log)
        yield f"{address}/doc/tree/panel.ipynb?token={token}"
        _stop_kernels(address, token)
    finally:
        server.terminate()
        try:
            server.wait(timeout=PATIENCE)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _wait_for(server: subprocess.Popen, address: str, log: Path) -> None:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end and server.poll() is None:
        try:
            urllib.request.urlopen(address, timeout=PATIENCE).close()
            return
        except OSError:
            time.sleep(0.1)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()}")


def _stop_kernels(address: str, token: str) -> None:
    """Kernels are processes of their own, and outlive a server that has to be killed."""
    headers = {"Authorization": f"token {token}"}
    request = urllib.request.Request(f"{address}/api/kernels", headers=headers)
    with urllib.request.urlopen(request, timeout=PATIENCE) as answer:
        kernels = json.load(answer)
    for kernel in kernels:
        one = urllib.request.Request(f"{address}/api/kernels/{kernel['id']}", headers=headers, method="DELETE")
        urllib.request.urlopen(one, timeout=PATIENCE).close()


@pytest.fixture
def browser(tmp_path):
    """Chromium without a window."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="Selenium is not installed")
    if CHROMIUM is None or CHROMEDRIVER is None:
        pytest.skip("no browser: Debian's packages chromium and chromium-driver are not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in (
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
        "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
        "--window-size=1400,1400", f"--user-data-dir={tmp_path / 'chromium'}",
    ):  # fmt: skip
        options.add_argument(argument)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(CHROMEDRIVER))
    driver.set_script_timeout(PATIENCE)
    yield driver
    driver.quit()


FETCH = """
const done = arguments[arguments.length - 1];
const image = document.querySelector("img.widget-image");
if (!image) { done(""); return; }
fetch(image.src).then(answer => answer.arrayBuffer()).then(buffer => {
    let text = "";
    for (const byte of new Uint8Array(buffer)) text += String.fromCharCode(byte);
    done(btoa(text));
}).catch(() => done(""));
"""


@pytest.mark.slow
def test_a_key_on_a_slider_changes_the_picture_in_the_browser(browser, laboratory):
    """A step of the slider is 5 mL/cmH2O; the picture shown is to the byte the one that is drawn here."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.expected_conditions import element_to_be_clickable
    from selenium.webdriver.support.ui import WebDriverWait

    wait = WebDriverWait(browser, PATIENCE, poll_frequency=0.1)

    def wait_for_picture(expected: bytes) -> None:
        wait.until(lambda b: base64.b64decode(b.execute_async_script(FETCH)) == expected)

    browser.get(laboratory)
    wait.until(lambda b: "| Idle" in b.find_element(By.ID, "jp-main-statusbar").text)
    cell = wait.until(element_to_be_clickable((By.CSS_SELECTOR, ".jp-CodeCell .cm-content")))
    cell.click()
    cell.send_keys(Keys.SHIFT, Keys.ENTER)
    wait_for_picture(picture_bytes(PRESSURE, compliance_b=25))

    handle = browser.find_elements(By.CSS_SELECTOR, "[role=slider]")[2]
    assert handle.get_attribute("aria-valuetext") == "25"
    handle.send_keys(Keys.ARROW_RIGHT)
    wait_for_picture(picture_bytes(PRESSURE, compliance_b=30))
    assert handle.get_attribute("aria-valuetext") == "30"
