"""Real rigs at a real broker, read and commanded by the client's own code.

    discovery.py target/debug/frameside

says what was accepted, and fails with what was not.
"""

import asyncio
import json
import logging
import sys
import tempfile

import homeassistant.const
import voluptuous
from homeassistant.core import HomeAssistant
from homeassistant.helpers import frame as reports
from homeassistant.util import dt

from client import Component, Refused, components
from rig import Rig

LABELS = ['große Eiche', "青写真の枠", 'cadre "été" \\ 1', "рама 🌞"]
RIGS = {
    "one frame": (["sky"], [("oak", None)]),
    "eight frames": (["sky"], [(f"frame-{n}", None) for n in range(1, 9)]),
    "three sensors": (["sky", "under_glass", "wall-2"], [("oak", None), ("elm", None)]),
    "99 frames": (["sky"], [(f"a-frame-with-a-long-name-{n:02}", None) for n in range(1, 100)]),
    "labels": (["sky"], [(f"frame-{n}", label) for n, label in enumerate(LABELS)]),
}
OF_THE_RIG, OF_A_SENSOR, OF_A_FRAME = 3, 2, 12


def read(home, rig):
    """What the client makes of what was announced, by id."""
    known = {}
    for topic, payload in rig.announced():
        for component in components(topic, payload):
            known[component[1]] = Component(home, *component)
    return known


def live(rig, known, frame):
    """One print, commanded by the client's buttons and its number alone."""

    def press(key, what, is_so, value=None):
        component = known[f"Frame_{frame}_{key}"]
        rig.publish(component.told["command_topic"], component.command(value))
        rig.wait_for_state(frame, what, is_so)

    rig.frameside("expose", frame, "--target", "90kJ/m2")
    press("cover", "covered", lambda state: state["state"] == "covered")
    press("target", "retargeted", lambda state: state["target_j_m2"] == 9500.0, 9.5)
    press("uncover", "exposing", lambda state: state["state"] == "exposing")
    rig.wait_for_state(frame, "due", lambda state: state["state"] == "due" and state["waiting"])
    press("hush", "hushed", lambda state: not state["waiting"])
    press("bring-in", "in", lambda state: state["state"] == "in")
    signals = f"frameside/yard/frame/{frame}/signal"
    rig.wait("its last call", lambda: any("brought-in" in call for call in rig.on(signals)))


def same(value, expected):
    """What a template gave, and what it was to give."""
    if isinstance(value, float) and expected is not None:
        return abs(value - expected) <= 1e-9 * max(1.0, abs(expected))
    return value == expected


def expected(key, state):
    """What the client is to show of a frame's state, worked out without its templates."""
    target, fraction, due = state["target_j_m2"], state["fraction"], state["due"]
    return {
        "waiting": "ON" if state["waiting"] else "OFF",
        "state": state["state"],
        "dose": state["dose_j_m2"] / 1000,
        "progress": None if fraction is None else 100 * fraction,
        "due": None if due is None else dt.parse_datetime(due),
        "target": None if target is None else target / 1000,
    }[key]


def attributes(key, payload):
    """What a component shows beside its value."""
    return {"troubles": payload} if key == "Rig_problem" else {"print": payload["print"]}


def shown(rig, known, frame):
    """Every message through every template that reads it; how many there were."""
    count, values = 0, {}
    for key, component in known.items():
        for payload in rig.on(component.topic):
            count += 1
            value = component.value(payload)
            values.setdefault(key, set()).add(value)
            if component.topic.endswith("/state"):
                wanted = expected(key.rsplit("_", 1)[1], json.loads(payload))
                if not same(value, wanted):
                    raise Refused(f"{key} shows {value} and not {wanted}")
            if "json_attributes_template" in component.config:
                told = attributes(key, json.loads(payload))
                if component.attributes(payload) != told:
                    raise Refused(f"{key} does not tell {told}")
    of_frame = {key: values[f"Frame_{frame}_{key}"] for key in ("state", "due", "target", "event")}
    if of_frame["state"] != {"empty", "covered", "exposing", "due", "in"}:
        raise Refused(f"states seen: {of_frame['state']}")
    if None not in of_frame["due"] or len(of_frame["due"]) < 2 or 9.5 not in of_frame["target"]:
        raise Refused(f"seen: {of_frame}")
    if not {"begun", "covered", "uncovered", "due", "brought-in"} <= of_frame["event"]:
        raise Refused(f"calls seen: {of_frame['event']}")
    trigger = known[f"Frame_{frame}_trigger"]
    fired = [trigger.value(payload) for payload in rig.on(trigger.topic)].count(trigger.told["payload"])
    if fired != 1:
        raise Refused(f"the trigger fired {fired} times")
    return count


def accepted(home, program, name, sensors, frames):
    """Runs a rig; gives its announcements and what is known of them."""
    with Rig(program, sensors, frames) as rig:
        known = read(home, rig)
        wanted = OF_THE_RIG + OF_A_SENSOR * len(sensors) + OF_A_FRAME * len(frames)
        if len(known) != wanted:
            raise Refused(f"{len(known)} components instead of {wanted}")
        frame, label = frames[-1]
        name_of_event = known[f"Frame_{frame}_event"].told["name"]
        title = label or frame
        if name_of_event != title[0].upper() + title[1:]:
            raise Refused(f"{frame} is called {name_of_event}")
        live(rig, known, frame)
        count = shown(rig, known, frame)
        longest = max(len(payload.encode()) for _, payload in rig.announced())
        print(f"{name}: {wanted} components, {count} values, longest message {longest} bytes")
        sys.stdout.flush()
        return rig.announced(), known


def must_refuse(what, doing):
    """A check that lets anything through proves nothing."""
    try:
        doing()
    except (Refused, voluptuous.Invalid):
        print(f"refused, as it must be: {what}")
    else:
        raise SystemExit(f"not refused: {what}")


def broken(home, known, key, **changes):
    """A component as it was told, but for these changes; None leaves one out."""
    component = known[key]
    config = {name: value for name, value in (component.told | changes).items() if value is not None}
    return lambda: Component(home, component.platform, key, config)


def controls(home, announced, known):
    """`announced` is a device message."""
    # The client logs at length what it refuses.
    logging.disable(logging.CRITICAL)
    irradiance, state, due = "Sensor_sky_irradiance", "Frame_oak_state", "Frame_oak_due"
    broken(home, known, irradiance)()
    must_refuse("irradiance in kW/m²", broken(home, known, irradiance, unit_of_measurement="kW/m²"))
    must_refuse("a class that is none", broken(home, known, irradiance, device_class="brightness"))
    must_refuse("a sensor without a topic", broken(home, known, state, state_topic=None))
    must_refuse("an event without types", broken(home, known, "Frame_oak_event", event_types=None))
    must_refuse("a trigger without a type", broken(home, known, "Frame_oak_trigger", type=None))
    must_refuse("a template that is none", broken(home, known, state, value_template="{{ value_json."))
    must_refuse("a wildcard to command", broken(home, known, "Frame_oak_hush", command_topic="frameside/#"))
    [(topic, payload)] = announced
    must_refuse("a blank in an id", lambda: components(topic.replace("_yard", " yard"), payload))
    empty = {"state": "gone", "due": "2026-07-14T10:21:09"}
    must_refuse("a state that is none", lambda: known[state].value(json.dumps(empty)))
    must_refuse("a time without a zone", lambda: known[due].value(json.dumps(empty)))
    odd = json.dumps(json.loads(payload) | {"colour": "blue"})
    must_refuse("a key that no device has", lambda: components(topic, odd))


async def new_home():
    """A home with nothing in it: the templates want its clock and zone."""
    home = HomeAssistant(tempfile.gettempdir())
    if hasattr(reports, "async_setup"):
        reports.async_setup(home)
    return home


def main(program):
    print(f"Home Assistant {homeassistant.const.__version__}", flush=True)
    home = asyncio.run(new_home())
    one = None
    for name, (sensors, frames) in RIGS.items():
        found = accepted(home, program, name, sensors, frames)
        one = found if name == "one frame" else one
    controls(home, *one)


if __name__ == "__main__":
    main(sys.argv[1])
