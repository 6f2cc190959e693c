"""What the real client, Home Assistant as installed here, makes of what a rig publishes: its
own topics, short names, schemas, units and templates."""

import copy
import json
import math

from homeassistant.components.mqtt import (
    binary_sensor,
    button,
    device_automation,
    device_trigger,
    discovery,
    event,
    number,
    sensor,
    trigger,
)
from homeassistant.components.sensor.const import DEVICE_CLASS_STATE_CLASSES, DEVICE_CLASS_UNITS
from homeassistant.helpers.template import Template
from homeassistant.util import dt

ENTITIES = {
    "binary_sensor": binary_sensor,
    "button": button,
    "event": event,
    "number": number,
    "sensor": sensor,
}
NOTHING = "None"


class Refused(Exception):
    """The client would not take this, or not as it is meant."""


def components(topic, payload):
    """The components of a discovery message: (platform, id, config with long names)."""
    level = topic.removeprefix("homeassistant/")
    match = discovery.TOPIC_MATCHER.match(level)
    if not match or match.group(0) != level:
        raise Refused(f"not a discovery topic: {topic}")
    platform, _, key = match.groups()
    if platform != "device":
        raise Refused(f"a message of one component: {topic}")
    device = discovery._parse_device_payload(None, payload, key, None)
    if not device:
        raise Refused("the device message, as the client logs")
    shared = {name: device[name] for name in ("device", "origin", "availability")}
    return [
        (config["platform"], key, copy.deepcopy(shared | config))
        for key, config in device["components"].items()
    ]


class Component:
    """One component, accepted. The home gives the templates their clock."""

    def __init__(self, home, platform, key, config):
        self.platform = platform
        self.key = key
        self.told = config
        config = dict(config, platform="mqtt")
        if platform == "device_automation":
            device_automation.DISCOVERY_SCHEMA(config)
            config = device_trigger.TRIGGER_DISCOVERY_SCHEMA(config)
            heard = {name: config[name] for name in ("topic", "payload", "value_template")}
            self.config = config | trigger.TRIGGER_SCHEMA({"platform": "mqtt"} | heard)
        elif platform in ENTITIES:
            self.config = ENTITIES[platform].DISCOVERY_SCHEMA(config)
        else:
            raise Refused(f"{key}: no platform {platform}")
        for value in self.config.values():
            if isinstance(value, Template):
                value.hass = home
        if platform == "sensor":
            self.check_class()

    def check_class(self):
        """What the schema of a sensor lets through and its entity does not."""
        kind, unit = self.config.get("device_class"), self.config.get("unit_of_measurement")
        if kind in DEVICE_CLASS_UNITS and unit not in DEVICE_CLASS_UNITS[kind]:
            raise Refused(f"{self.key}: no {kind} in {unit}")
        state_class = self.config.get("state_class")
        if state_class and kind and state_class not in DEVICE_CLASS_STATE_CLASSES[kind]:
            raise Refused(f"{self.key}: no {state_class} of {kind}")
        if kind == "enum" and not self.told.get("options"):
            raise Refused(f"{self.key}: no options")

    @property
    def topic(self):
        """Where its state comes from; a button has none."""
        return self.told.get("topic") or self.told.get("state_topic")

    def command(self, value=None):
        """What the client sends when its button is pressed or its number set."""
        return self.config["command_template"].async_render({"value": value}, parse_result=False)

    def value(self, payload):
        """What the client shows after a message: text, a number, a time, or None."""
        template = self.config.get("value_template")
        text = template.async_render_with_possible_json_value(payload) if template else payload
        if self.platform == "event":
            return self.one_of(json.loads(text)["event_type"], self.config["event_types"])
        if self.platform == "binary_sensor":
            return self.one_of(text, [self.config["payload_on"], self.config["payload_off"]])
        if self.platform == "device_automation" or text == NOTHING:
            return None if text == NOTHING else text
        kind = self.config.get("device_class")
        if kind == "enum":
            return self.one_of(text, self.told["options"])
        if kind == "timestamp":
            return self.instant(text)
        return self.number(text)

    def attributes(self, payload):
        """What the client shows beside the value."""
        template = self.config["json_attributes_template"]
        return json.loads(template.async_render_with_possible_json_value(payload))

    def one_of(self, text, known):
        if text not in known:
            raise Refused(f"{self.key}: {text} is none of {known}")
        return text

    def instant(self, text):
        at = dt.parse_datetime(text)
        if at is None or at.tzinfo is None:
            raise Refused(f"{self.key}: {text} is no instant")
        return at

    def number(self, text):
        value = float(text)
        if not math.isfinite(value):
            raise Refused(f"{self.key}: {text} is no number")
        if self.platform == "number" and not self.config["min"] <= value <= self.config["max"]:
            raise Refused(f"{self.key}: {value} is out of its range")
        return value
