"""`check` and `run` agree on every box file: what the one passes the other can make its parts of."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.box.file import parse_box
from dooryard.box.sensors import build as build_sensors
from dooryard.cli.check import check
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, DooryardError
from dooryard.outbox.own import claim
from dooryard.policy.schema import Policy
from dooryard.sensors.kinds import Machine
from dooryard.service import build

CAMERAS = st.one_of(
    st.builds(
        '[camera]\nkind = "fake"\nscript = "{}"\nrepeat = {}\nframes_per_s = {}\n'.format,
        st.text("fresbwgdaz ", min_size=1, max_size=4),
        st.sampled_from(["true", "false"]),
        st.sampled_from(["5.0", "0.01", "120.0", "121.0"]),
    ),
    st.builds(
        '[camera]\nkind = "scene"\npreset = "{}"\nseconds = {}\nluma_width = {}\nlarge_width = {}\n'
        "large_height = {}\n".format,
        st.sampled_from(["alder row afternoon", "calm", "gale", "nowhere"]),
        st.sampled_from(["10.0", "0.001", "86400.0", "-1.0"]),
        st.sampled_from([120, 160, 320, 640]),
        st.sampled_from([16, 320, 640, 8192]),
        st.sampled_from([16, 240, 480, 8192]),
    ),
    st.builds(
        '[camera]\nkind = "picamera"\nregion = [{}, 0.0, {}, 1.0]\nfocus_m = {}\n'.format,
        st.sampled_from([0.0, 0.3, 0.9]),
        st.sampled_from([0.0, 0.5, 1.0]),
        st.sampled_from(['"auto"', "0.5", "-1.0", "0.0"]),
    ),
)
SENSORS = st.lists(
    st.builds(
        '[[sensor]]\nname = "{}"\nkind = "{}"\nquantity = "{}"\nscript = "{}"\n{}'.format,
        st.sampled_from(["air", "case", "cpu"]),
        st.sampled_from(["cpu", "chip", "ds18b20", "sht3x", "wifi", "disk", "fake"]),
        st.sampled_from(["temperature", "humidity"]),
        st.sampled_from(["0:20", "0:20 5:gone", "5:20 1:20", "warm", "0:"]),
        st.sampled_from(["", 'chip = "tmp102"\n', "every_s = 5.0\n"]),
    ),
    max_size=3,
).map("".join)
GATES = st.builds(
    "[gate]\nsmallest = {}\nignore = [[[0.0, 0.0], [{}, 0.0], [1.0, {}]]]\n".format,
    st.sampled_from([0.01, 0.04, 0.5]),
    st.sampled_from([0.0, 0.2, 1.0]),
    st.sampled_from([0.0, 0.5, 1.0]),
)
STATES = st.sampled_from(["state", ".", "/etc", "a/b"]).map('state_folder = "{}"\n'.format)


def made(text: str, base: Path) -> bool:
    """Whether `run` gets as far as the board: every part made as it makes them."""
    try:
        box = parse_box(text, "box.toml").value
        claim(base / box.state_folder)
        build.camera(box, base, FakeClock())
        build.conditions(box, Policy(), clock_set=True)
        build_sensors(box.sensor, Machine(base / box.state_folder, base))
    except ConfigError:
        return False
    except DooryardError:
        return False
    return True


@settings(max_examples=100, deadline=None)
@given(STATES, CAMERAS, SENSORS, GATES)
def test_what_check_passes_can_be_made_and_what_it_does_not_cannot(state, camera, sensors, gate):
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        (base / "box.toml").write_text(state + camera + sensors + gate, encoding="utf-8")
        (base / "notes.txt").touch()
        out = io.StringIO()
        passed = check([base / "box.toml"], out) == 0
        assert passed == made(state + camera + sensors + gate, base), out.getvalue()
