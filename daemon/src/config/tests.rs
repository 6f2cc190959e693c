//! What is taken, and what each mistake is told as.

use std::ffi::OsString;

use frameside_core::chips::{Ltr390Settings, Ranging, Veml6070Settings, Veml6070Time, Veml6075Settings};
use proptest::prelude::*;

use super::*;

/// The example of the contract.
const FULL: &str = r#"
[rig]
name = "yard"
timezone = "Europe/Zurich"
clock = "battery"
place = { latitude = 46.8, longitude = 6.9 }
tilt = { angle = 30, azimuth = 180 }

[[sensor]]
name = "sky"
chip = "as7331"
bus = 1
address = 0x74
period = "1s"

[[frame]]
name = "oak"
label = "large oak frame"
sensor = "sky"
glass = "92%"
button = 23
led = 24

[[source]]
name = "box"
kind = "lamp"
relay = 25

[buzzer]
kind = "active"
pin = 18

[mqtt]
broker = "127.0.0.1"
port = 1883
user = "yard"
password_file = "/etc/frameside/mqtt.password"
tls = { ca = "system" }
discovery = "device"

[signal]
nearly = "1min"
overdue_every = "1min"
hook = ["/usr/local/bin/call", "printmaker"]

[ledger]
path = "/var/lib/frameside/ledger.sqlite"

[socket]
path = "/run/frameside/frameside.sock"
"#;

const RIG: &str = "[rig]\nname = \"yard\"\n";
const SKY: &str = "[[sensor]]\nname = \"sky\"\nchip = \"as7331\"\n";

fn desk() -> Env {
    Env::new(|name| (name == "HOME").then(|| OsString::from("/home/p")), 1000)
}

fn parse(text: &str) -> Result<Config, Vec<Problem>> {
    parse::parse(text.as_bytes(), Path::new("config.toml"), &desk())
}

fn told(problems: &[Problem]) -> Vec<String> {
    problems.iter().map(Problem::to_string).collect()
}

/// What is said of a config that is wrong.
#[track_caller]
fn wrong(text: &str) -> Vec<String> {
    told(&parse(text).expect_err("a wrong config was taken"))
}

/// What is said of a config of a rig and a sensor on lines 1 to 5 and `more`
/// from line 6.
#[track_caller]
fn wrong_after_sky(more: &str) -> Vec<String> {
    wrong(&format!("{RIG}{SKY}{more}"))
}

/// What is said of a config of a rig on lines 1 and 2 and `more` from line 3.
#[track_caller]
fn wrong_after_rig(more: &str) -> Vec<String> {
    wrong(&format!("{RIG}{more}"))
}

#[test]
fn the_whole_contract_is_taken() {
    let config = parse(FULL).unwrap();
    let name = |text| Name::new(text).unwrap();
    assert_eq!(config.rig.name, name("yard"));
    assert_eq!(config.rig.clock, ClockSource::Battery);
    assert_eq!(config.rig.place, Some(Place { latitude: 46.8, longitude: 6.9 }));
    assert_eq!(config.rig.tilt, Some(Tilt { angle: 30.0, azimuth: 180.0 }));
    assert_eq!(config.rig.timezone.unwrap().iana_name(), Some("Europe/Zurich"));
    assert_eq!(
        config.sensors,
        [Sensor {
            name: name("sky"),
            period: Duration::from_secs(1),
            kind: SensorKind::Real { bus: 1, address: 0x74, chip: Chip::As7331 { gain: None, time: None } },
        }]
    );
    assert_eq!(
        config.frames,
        [Frame {
            name: name("oak"),
            label: Some("large oak frame".to_owned()),
            sensor: name("sky"),
            glass: 0.92,
            button: Pin::new(23),
            led: Pin::new(24),
        }]
    );
    assert_eq!(
        config.sources,
        [
            Source { name: name("sun"), kind: SourceKind::Sun },
            Source { name: name("box"), kind: SourceKind::Lamp { relay: Some(relay(25)) } },
        ]
    );
    assert_eq!(config.buzzer, Buzzer::Active(Pin::new(18).unwrap()));
    assert_eq!(
        config.mqtt,
        Some(Mqtt {
            broker: "127.0.0.1".to_owned(),
            port: 1883,
            login: Some(Login {
                user: "yard".to_owned(),
                password: Some(Secret::File(PathBuf::from("/etc/frameside/mqtt.password"))),
            }),
            tls: Some(Tls { ca: Ca::System, client: None }),
            discovery: Discovery::Device,
            discovery_prefix: "homeassistant".to_owned(),
            keep_alive: Duration::from_secs(30),
        })
    );
    assert_eq!(config.signal.hook.unwrap(), ["/usr/local/bin/call", "printmaker"]);
    assert_eq!(config.ledger.path, Path::new("/var/lib/frameside/ledger.sqlite"));
    assert_eq!(config.socket, Path::new("/run/frameside/frameside.sock"));
    assert_eq!(config.speed, 1.0);
}

/// A relay with nothing but its pin given.
fn relay(bcm: u8) -> Relay {
    Relay {
        pin: Pin::new(bcm),
        active_low: false,
        min_off: Duration::from_secs(30),
        max_on: Duration::from_secs(3600),
    }
}

#[test]
fn a_relay_has_its_level_and_its_times() {
    let lamp = |keys: &str| {
        let text = format!("{RIG}{SKY}[[source]]\nname = \"box\"\nkind = \"lamp\"\n{keys}");
        let config = parse(&text).map_err(|problems| told(&problems))?;
        Ok::<_, Vec<String>>((config.sources[1].kind, told(config.warnings())))
    };
    let all = "relay = 5\nrelay_active = \"low\"\nmin_off = \"10min\"\nmax_on = \"2h\"\n";
    let (min_off, max_on) = (Duration::from_secs(600), Duration::from_secs(7200));
    let given = Relay { active_low: true, min_off, max_on, ..relay(5) };
    assert_eq!(lamp(all), Ok((SourceKind::Lamp { relay: Some(given) }, Vec::new())));
    let emulated = Relay { pin: None, ..relay(25) };
    assert_eq!(lamp("relay = \"emulated\""), Ok((SourceKind::Lamp { relay: Some(emulated) }, Vec::new())));
    assert_eq!(
        lamp("relay = 5").unwrap().1,
        [
            "config.toml:9:9: pin 5 is pulled high from power-on until the daemon starts, which may switch this \
          lamp on; take one of pins 9 to 27"
        ]
    );
    assert_eq!(
        lamp("relay = \"25\"\nmin_off = \"500ms\""),
        Err(vec![
            "config.toml:9:9: relay cannot be \"25\"; it must be a BCM pin from 2 to 27, or \"emulated\""
                .to_owned(),
            "config.toml:10:11: min_off cannot be \"500ms\"; it must be 1s to 1h".to_owned(),
        ])
    );
    assert_eq!(
        lamp("max_on = \"1h\""),
        Err(vec![
            "config.toml:9:10: max_on needs \"relay\" beside it; add relay, or leave max_on out".to_owned()
        ])
    );
}

#[test]
fn what_is_lit_by_a_lamp_names_one_with_a_relay() {
    let sensor = "[[sensor]]\nname = \"bed\"\nchip = \"recorded\"\nlight = \"a.csv\"\nlit_by = \"box\"\n";
    let lamp = "[[source]]\nname = \"box\"\nkind = \"lamp\"\n";
    assert_eq!(
        told(&parse(&format!("{RIG}{sensor}{lamp}")).unwrap_err()),
        [
            "config.toml:7:10: sensor \"bed\" is lit by \"box\", which is no lamp with a relay; those are: none"
        ]
    );
    let config = parse(&format!("{RIG}{sensor}{lamp}relay = \"emulated\"\n")).unwrap();
    let light = Playback { file: PathBuf::from("./a.csv"), from: None, lit_by: Name::new("box") };
    assert_eq!(config.sensors[0].kind, SensorKind::Recorded(light));
}

#[test]
fn defaults_where_nothing_is_said() {
    let config = parse(&format!("{RIG}{SKY}[[frame]]\nname = \"oak\"\nsensor = \"sky\"\n")).unwrap();
    assert_eq!(config.rig.timezone, None);
    assert_eq!(config.rig.clock, ClockSource::Network);
    assert_eq!(config.frames[0].glass, 1.0);
    assert_eq!(config.buzzer, Buzzer::None);
    assert_eq!(config.mqtt, None);
    let minute = Duration::from_secs(60);
    assert_eq!(config.signal, Signal { nearly: minute, overdue_every: minute, hook: None });
    assert_eq!(config.ledger.path, Path::new("/home/p/.local/state/frameside/ledger.sqlite"));
    assert_eq!(config.socket, Path::new("/tmp/frameside-1000/frameside.sock"));

    let broker =
        |more: &str| parse(&format!("{RIG}{SKY}[mqtt]\nbroker = \"::1\"\n{more}")).unwrap().mqtt.unwrap();
    assert_eq!((broker("").port, broker("").discovery), (1883, Discovery::Off));
    assert_eq!(broker("tls = { ca = \"system\" }").port, 8883);
}

#[test]
fn played_and_emulated_sensors() {
    let config = parse(&format!(
        "{RIG}\
         [[sensor]]\nname = \"a\"\nchip = \"emulated:ads1115\"\naddress = 0x49\nlight = \"a.csv\"\nspeed = 60\n\
         volts_per_W_m2 = 0.0486\nzero_V = 1\nceiling_V = 3.3\nfull_scale = 4.096\nfrom = \"10:00\"\nperiod = \"250ms\"\n\
         [[sensor]]\nname = \"b\"\nchip = \"recorded\"\nlight = \"/b.csv\"\nspeed = 60.0\n\
         from = \"2026-06-01T10:00:00+02:00\"\n"
    ))
    .unwrap();
    let chip = Chip::Adc {
        part: frameside_core::chips::Part::Ads1115,
        photodiode: Photodiode { volts_per_w_m2: 0.0486, zero_v: 1.0, ceiling_v: Some(3.3) },
        full_scale_v: Some(4.096),
    };
    let ten = PlayFrom::TimeOfDay(jiff::civil::time(10, 0, 0, 0));
    let light = Playback { file: PathBuf::from("./a.csv"), from: Some(ten), lit_by: None };
    assert_eq!(config.sensors[0].kind, SensorKind::Emulated { address: 0x49, chip, light });
    assert_eq!(config.sensors[0].period, Duration::from_millis(250));
    let at = PlayFrom::At("2026-06-01T08:00:00Z".parse().unwrap());
    let light = Playback { file: PathBuf::from("/b.csv"), from: Some(at), lit_by: None };
    assert_eq!(config.sensors[1].kind, SensorKind::Recorded(light));
    assert_eq!(config.speed, 60.0);
}

#[test]
fn relative_paths_start_at_the_files_folder() {
    let text = format!(
        "{RIG}[[sensor]]\nname = \"a\"\nchip = \"recorded\"\nlight = \"day.csv\"\n\
         [mqtt]\nbroker = \"hub\"\nuser = \"u\"\npassword_file = \"secret\"\n\
         [ledger]\npath = \"data/l.sqlite\"\n[socket]\npath = \"/run/s\"\n"
    );
    let config = parse::parse(text.as_bytes(), Path::new("/etc/fs/config.toml"), &desk()).unwrap();
    let light = Playback { file: PathBuf::from("/etc/fs/day.csv"), from: None, lit_by: None };
    assert_eq!(config.sensors[0].kind, SensorKind::Recorded(light));
    let login = config.mqtt.unwrap().login.unwrap();
    assert_eq!(login.password, Some(Secret::File(PathBuf::from("/etc/fs/secret"))));
    assert_eq!(config.ledger.path, Path::new("/etc/fs/data/l.sqlite"));
    assert_eq!(config.socket, Path::new("/run/s"));
}

#[test]
fn relative_paths_of_a_bare_file_have_a_folder_too() {
    let text = format!("{RIG}[[sensor]]\nname = \"a\"\nchip = \"as7331\"\n[ledger]\npath = \"l.sqlite\"\n");
    let config = parse::parse(text.as_bytes(), Path::new("rig.toml"), &desk()).unwrap();
    assert_eq!(config.ledger.path.parent(), Some(Path::new(".")));
}

#[test]
fn all_problems_are_told_in_one_run_in_the_order_of_the_file() {
    assert_eq!(
        wrong(
            "[rig]\nname = \"Yard\"\nzone = 1\n[[frame]]\nname = \"oak\"\nsensor = \"sky2\"\nbutton = 28\n\
             [mqtt]\nport = 70000\n[[sensor]]\nname = \"sky\"\nchip = \"as7331\"\nadress = 0x74\n"
        ),
        [
            "config.toml:2:8: name cannot be \"Yard\"; it must be 1 to 32 of a-z, 0-9, \"-\" and \"_\"",
            "config.toml:3:1: unknown key \"zone\" in [rig]; keys are: name, timezone, clock, place, tilt",
            "config.toml:6:10: frame \"oak\" names sensor \"sky2\", which is not defined; sensors are: sky",
            "config.toml:7:10: button cannot be 28; it must be a BCM pin from 2 to 27 \
             (0 and 1 belong to the ID EEPROM of add-on boards)",
            "config.toml:8:1: [mqtt] needs \"broker\"; add for instance broker = \"127.0.0.1\"",
            "config.toml:9:8: port cannot be 70000; it must be 1 to 65535",
            "config.toml:13:1: unknown key \"adress\" in [[sensor]]; did you mean \"address\"?",
        ]
    );
}

#[test]
fn an_empty_file_says_what_it_needs() {
    assert_eq!(
        wrong(""),
        [
            "config.toml:1:1: [rig] needs \"name\"; add for instance name = \"yard\"",
            "config.toml:1:1: the rig has no sensor; add a [[sensor]] section",
        ]
    );
}

#[test]
fn what_is_not_toml() {
    assert_eq!(
        wrong_after_sky("[mqtt]\nbroker = \"hub\nport = 70000\n"),
        [
            "config.toml:7:14: not TOML: invalid basic string, expected `\"`",
            "config.toml:8:8: port cannot be 70000; it must be 1 to 65535",
        ]
    );
    assert_eq!(
        wrong_after_sky("[buzzer]\nkind = \"none\"\nkind = \"terminal\"\n[buzzer]\n"),
        [
            "config.toml:8:1: \"kind\" is given twice; keep one",
            "config.toml:9:2: \"buzzer\" is given twice; keep one"
        ]
    );
    // Nothing is said of what may be missing only because the line is broken.
    assert_eq!(wrong_after_sky("[mqtt]\nbroker\n").len(), 1);
}

#[test]
fn what_is_not_text() {
    let bytes = b"[rig]\nname = \"\xc3\xa9\xff\"\n";
    let problems = parse::parse(bytes, Path::new("config.toml"), &desk()).unwrap_err();
    assert_eq!(told(&problems), ["config.toml:2:10: not UTF-8 text; save the file as UTF-8"]);
}

#[test]
fn sections_in_the_wrong_shape() {
    assert_eq!(
        wrong("[[rig]]\nname = \"yard\"\n[sensor]\nname = \"sky\"\n[senosr]\n[a.b]\nc = 1\n"),
        [
            "config.toml:1:1: write [rig] with one bracket, since there is only one",
            "config.toml:1:1: [rig] needs \"name\"; add for instance name = \"yard\"",
            "config.toml:3:1: write [[sensor]] with two brackets, since there can be several",
            "config.toml:5:2: unknown section \"senosr\"; did you mean \"sensor\"?",
            "config.toml:6:2: unknown section \"a\"; sections are: rig, sensor, frame, source, buzzer, mqtt, \
             signal, page, ledger, socket",
        ]
    );
    assert_eq!(
        wrong("rig = 1\nsensor = [2]\nframe = \"x\"\n")[1..],
        [
            "config.toml:1:7: [rig] needs \"name\"; add for instance name = \"yard\"",
            "config.toml:2:11: sensor must be a section, not an integer",
            "config.toml:3:9: frame must be one or more sections, not a string",
        ]
    );
}

#[test]
fn values_of_the_wrong_kind() {
    assert_eq!(
        wrong_after_sky(
            "period = 1\nbus = \"1\"\n[ledger]\nkeep_idle_light = \"yes\"\n[signal]\nhook = \"/bin/call\"\n\
             [mqtt]\nbroker = 10:00\n[[frame]]\nname = \"oak\"\nsensor = \"sky\"\nglass = 0.92\n"
        ),
        [
            "config.toml:6:10: period must be a length of time in quotes, like \"1s\", not an integer",
            "config.toml:7:7: bus must be a whole number, not a string",
            "config.toml:9:19: keep_idle_light must be true or false, not a string",
            "config.toml:11:8: hook must be a list of strings like [\"/usr/local/bin/call\", \"printmaker\"], \
             not a string",
            "config.toml:13:10: broker must be a string in quotes, not a datetime",
            "config.toml:17:9: glass must be a share in quotes, like \"92%\", not a float",
        ]
    );
}

#[test]
fn values_out_of_range() {
    assert_eq!(
        wrong_after_sky(
            "period = \"2h\"\ngain = 3\ntime = \"65ms\"\nbus = 256\n[signal]\nnearly = \"soon\"\n\
             overdue_every = \"2h\"\nhook = []\n\
             [mqtt]\nbroker = \"mqtt://hub:1883\"\nkeep_alive = \"4s\"\ndiscovery_prefix = \"a/#\"\n"
        ),
        [
            "config.toml:6:10: period cannot be \"2h\"; it must be 100ms to 10min",
            "config.toml:7:8: gain cannot be 3; it must be 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048",
            "config.toml:8:8: time cannot be \"65ms\"; it must be 1ms, 2ms, 4ms, 8ms, 16ms, 32ms, 64ms",
            "config.toml:9:7: bus cannot be 256; it must be 0 to 255",
            "config.toml:11:10: nearly: 'soon' is not a length of time; write it like 5min, 90s or 1h20m",
            "config.toml:12:17: overdue_every cannot be \"2h\"; it must be 1s to 1h",
            "config.toml:13:8: hook cannot be this array; it must be a list of strings like \
             [\"/usr/local/bin/call\", \"printmaker\"]",
            "config.toml:15:10: broker cannot be \"mqtt://hub:1883\"; it must be a host name or address alone, \
             like \"127.0.0.1\"; the port goes in port = 1883",
            "config.toml:16:14: keep_alive cannot be \"4s\"; it must be 5s to 18h",
            "config.toml:17:20: discovery_prefix cannot be \"a/#\"; it must be a topic like \"homeassistant\", \
             without + and #",
        ]
    );
    assert_eq!(
        wrong(&format!(
            "[rig]\nname = \"yard\"\ntimezone = \"Europe/Nowhere\"\n\
             place = {{ latitude = 91, longitude = nan }}\ntilt = {{ angle = -1, azimuth = 1e400 }}\n{SKY}"
        )),
        [
            "config.toml:3:12: timezone cannot be \"Europe/Nowhere\"; it must be a time zone this system knows, \
             like \"Europe/Zurich\" (ls /usr/share/zoneinfo)",
            "config.toml:4:22: latitude cannot be 91; it must be -90 to 90 degrees",
            "config.toml:4:38: longitude cannot be nan; it must be -180 to 180 degrees",
            "config.toml:5:18: angle cannot be -1; it must be 0 to 90 degrees from flat",
            "config.toml:5:32: azimuth cannot be 1e400; it must be 0 to 360 degrees from north",
        ]
    );
}

#[test]
fn words_that_are_not_among_the_choices() {
    assert_eq!(
        wrong_after_rig(
            "[[sensor]]\nname = \"sky\"\nchip = \"as7332\"\nlight = 1\nlamp = 1\n[buzzer]\nkind = \"loud\"\n"
        ),
        [
            "config.toml:5:8: chip cannot be \"as7332\"; did you mean \"as7331\"? it must be \"as7331\", \
             \"ads1115\", \"ads1114\", \"ads1113\", \"ads1015\", \"ads1014\", \"ads1013\", \"ltr390\", \"veml6075\", \
             \"veml6070\", \"recorded\", \"iio\", \"mqtt\", \"emulated:as7331\", \"emulated:ads1115\", \"emulated:ltr390\", \
             \"emulated:veml6075\", \"emulated:veml6070\"",
            "config.toml:7:1: unknown key \"lamp\" in [[sensor]]; keys are: name, period, chip, bus, address, gain, \
             time, full_scale, counts_per_UVI, W_m2_per_UVI, rset_kohm, volts_per_W_m2, zero_V, ceiling_V, device, channel, W_m2_per_count, light, speed, from, lit_by, rig, sensor",
            "config.toml:9:8: kind cannot be \"loud\"; it must be \"active\", \"passive\", \"terminal\", \"none\"",
        ]
    );
}

#[test]
fn the_sun_is_no_lamp() {
    assert_eq!(
        wrong_after_sky("[[source]]\nname = \"sun\"\nkind = \"lamp\"\n"),
        ["config.toml:8:8: kind cannot be \"lamp\"; it must be \"sun\" for the source named so"]
    );
    let named = parse(&format!("{RIG}{SKY}[[source]]\nname = \"sun\"\nkind = \"sun\"\n")).unwrap();
    assert_eq!(named.sources, parse(&format!("{RIG}{SKY}")).unwrap().sources);
}

#[test]
fn names_are_given_once() {
    assert_eq!(
        wrong_after_sky(&format!("{SKY}address = 0x75\n[[source]]\nname = \"sky\"\nkind = \"sun\"\n")),
        ["config.toml:7:8: sensor \"sky\" is there already (line 4); give this one another name"]
    );
}

#[test]
fn one_device_to_a_pin() {
    assert_eq!(
        wrong_after_sky(
            "[[frame]]\nname = \"oak\"\nsensor = \"sky\"\nbutton = 23\nled = 2\n\
             [[frame]]\nname = \"ash\"\nsensor = \"sky\"\nbutton = 23\n[buzzer]\nkind = \"passive\"\npin = 23\n\
             [[source]]\nname = \"box\"\nkind = \"lamp\"\nrelay = 0\n"
        ),
        [
            "config.toml:10:7: the led of frame \"oak\" cannot be on pin 2: I2C bus 1 of sensor \"sky\" is there \
             (line 5); take another pin",
            "config.toml:14:10: the button of frame \"ash\" cannot be on pin 23: the button of frame \"oak\" is \
             there (line 9); take another pin",
            "config.toml:17:7: the buzzer cannot be on pin 23: the button of frame \"oak\" is there (line 9); \
             take another pin",
            "config.toml:21:9: relay cannot be 0; it must be a BCM pin from 2 to 27 (0 and 1 belong to the ID \
             EEPROM of add-on boards)",
        ]
    );
    // Pins 2 and 3 are free where nothing is on bus 1.
    parse(&format!("{RIG}{SKY}bus = 3\n[buzzer]\nkind = \"active\"\npin = 2\n")).unwrap();
}

#[test]
fn one_chip_to_an_address() {
    assert_eq!(
        wrong_after_sky(
            "[[sensor]]\nname = \"wall\"\nchip = \"as7331\"\naddress = 0x74\n\
             [[sensor]]\nname = \"door\"\nchip = \"as7331\"\naddress = 0x48\n\
             [[sensor]]\nname = \"shed\"\nchip = \"as7331\"\nbus = 3\n"
        ),
        [
            "config.toml:9:11: sensor \"wall\" cannot be at address 0x74 of bus 1: sensor \"sky\" is there \
             (line 3); set its address pin otherwise or take another bus",
            // What could not be read is not held against "sky" besides.
            "config.toml:13:11: address cannot be 0x48; it must be 0x74, 0x75, 0x76, 0x77 for this chip",
        ]
    );
}

#[test]
fn keys_that_do_not_go_together() {
    assert_eq!(
        wrong_after_sky(
            "light = \"day.csv\"\nzero_V = 0.0\n[[source]]\nname = \"sky\"\nkind = \"sun\"\nrelay = 5\n\
             [buzzer]\nkind = \"terminal\"\npin = 5\n\
             [mqtt]\nbroker = \"hub\"\npassword_file = \"/p\"\ntls = { ca = \"system\", cert = \"c.pem\" }\n"
        ),
        [
            "config.toml:6:1: \"light\" does not go with a real chip; it goes with recorded and emulated sensors",
            "config.toml:7:1: \"zero_V\" does not go with as7331; it goes with the ads101x and ads111x converters",
            "config.toml:11:1: \"relay\" does not go with kind \"sun\"; it goes with lamps",
            "config.toml:14:1: \"pin\" does not go with this kind; it goes with active and passive buzzers",
            "config.toml:17:17: password_file needs \"user\" beside it; add user, or leave password_file out",
            "config.toml:18:31: cert needs \"key\" beside it; add key, or leave cert out",
        ]
    );
    assert_eq!(
        wrong_after_rig(
            "[[sensor]]\nname = \"a\"\nchip = \"ads1113\"\nfull_scale = 4.096\ngain = 2\nzero_V = 9\nceiling_V = 0\n"
        ),
        [
            "config.toml:3:1: [[sensor]] needs \"volts_per_W_m2\"; add for instance volts_per_W_m2 = 0.0486",
            "config.toml:6:14: full_scale cannot be 4.096; it must be 2.048",
            "config.toml:7:1: \"gain\" does not go with ads1113; it goes with chips that can be set so",
            "config.toml:8:10: zero_V cannot be 9; it must be -0.5 to 5.5 V, what the photodiode gives in the dark",
            "config.toml:9:13: ceiling_V cannot be 0; it must be at least 0.1 V above zero_V",
        ]
    );
}

#[test]
fn chips_with_keys_of_their_own() {
    let of = |keys: &str| {
        let config = parse(&format!("{RIG}[[sensor]]\nname = \"a\"\n{keys}")).unwrap();
        let SensorKind::Real { address, chip, .. } = config.sensors[0].kind else { panic!("{keys}") };
        (address, chip)
    };
    let usual = Ltr390Settings::default();
    assert_eq!(of("chip = \"ltr390\"\n"), (0x53, Chip::Ltr390(usual)));
    let set = Ltr390Settings {
        time: Duration::from_micros(12_500),
        ranging: Ranging::Locked(4),
        counts_per_uvi: 2300.0,
        w_m2_per_uvi: Some(5.5),
    };
    let keys = "gain = 18\ntime = \"12.5ms\"\ncounts_per_UVI = 2300\nW_m2_per_UVI = 5.5\n";
    assert_eq!(of(&format!("chip = \"ltr390\"\n{keys}")), (0x53, Chip::Ltr390(set)));
    let ranging = Ranging::Locked(4);
    assert_eq!(
        of("chip = \"veml6075\"\ntime = \"800ms\"\n"),
        (0x10, Chip::Veml6075(Veml6075Settings { ranging }))
    );
    let set = Veml6070Settings { rset_kohm: 300.0, time: Veml6070Time::Four };
    assert_eq!(of("chip = \"veml6070\"\nrset_kohm = 300\ntime = \"4T\"\n"), (0x38, Chip::Veml6070(set)));
    assert_eq!(of("chip = \"veml6070\"\n"), (0x38, Chip::Veml6070(Veml6070Settings::default())));

    assert_eq!(
        wrong_after_rig(
            "[[sensor]]\nname = \"a\"\nchip = \"ltr390\"\naddress = 0x54\ngain = 2\ntime = \"1s\"\n\
             counts_per_UVI = 0\nW_m2_per_UVI = \"5\"\nrset_kohm = 270\n\
             [[sensor]]\nname = \"b\"\nchip = \"veml6070\"\nrset_kohm = 2\ntime = \"3T\"\ngain = 1\n\
             [[sensor]]\nname = \"c\"\nchip = \"veml6075\"\ntime = \"1s\"\nW_m2_per_UVI = 5\n"
        ),
        [
            "config.toml:6:11: address cannot be 0x54; it must be 0x53 for this chip",
            "config.toml:7:8: gain cannot be 2; it must be 1, 3, 6, 9, 18",
            "config.toml:8:8: time cannot be \"1s\"; it must be 12.5ms, 25ms, 50ms, 100ms, 200ms, 400ms",
            "config.toml:9:18: counts_per_UVI cannot be 0; it must be 1 to 1000000 counts for one UV index at \
             gain 18 and 400 ms",
            "config.toml:10:16: W_m2_per_UVI must be a number, not a string",
            "config.toml:11:1: \"rset_kohm\" does not go with ltr390; it goes with the veml6070",
            "config.toml:15:13: rset_kohm cannot be 2; it must be 75 to 1200, the resistor at the pin RSET in kiloohm",
            "config.toml:16:8: time cannot be \"3T\"; it must be \"0.5T\", \"1T\", \"2T\", \"4T\"",
            "config.toml:17:1: \"gain\" does not go with veml6070; it goes with chips that can be set so",
            "config.toml:21:8: time cannot be \"1s\"; it must be 50ms, 100ms, 200ms, 400ms, 800ms",
            "config.toml:22:1: \"W_m2_per_UVI\" does not go with veml6075; it goes with the ltr390",
        ]
    );
}

#[test]
fn sensors_of_the_kernel() {
    let of = |keys: &str| {
        let text = format!("{RIG}[[sensor]]\nname = \"a\"\nchip = \"iio\"\n{keys}");
        let config = parse(&text).unwrap();
        let SensorKind::Iio(Iio { device, channel, unit }) = config.sensors[0].kind.clone() else {
            panic!("{keys}")
        };
        (device, channel, unit)
    };
    let iio = |device: &str, channel: &str, unit| (device.to_owned(), channel.to_owned(), unit);
    assert_eq!(of("device = \"as73211\"\n"), iio("as73211", "intensity_uva", IioUnit::NanowattPerCm2));
    let unit = IioUnit::Volt(Photodiode { volts_per_w_m2: 0.05, zero_v: 0.0, ceiling_v: None });
    assert_eq!(
        of("device = \"ads1015\"\nvolts_per_W_m2 = 0.05\nzero_V = 0\n"),
        iio("ads1015", "voltage0", unit)
    );
    assert_eq!(
        of("device = \"iio:device3\"\nchannel = \"uvindex\"\nW_m2_per_count = 0.01\n"),
        iio("iio:device3", "uvindex", IioUnit::Count { w_m2: Some(0.01) })
    );

    assert_eq!(
        wrong_after_rig(
            "[[sensor]]\nname = \"a\"\nchip = \"iio\"\nbus = 1\nspeed = 2\n\
             [[sensor]]\nname = \"b\"\nchip = \"iio\"\ndevice = \"../x\"\nchannel = \"y\"\nW_m2_per_count = 0\n\
             [[sensor]]\nname = \"c\"\nchip = \"iio\"\ndevice = \"as73211\"\nzero_V = 0\nW_m2_per_count = 1\n\
             [[sensor]]\nname = \"d\"\nchip = \"as7331\"\ndevice = \"as73211\"\n"
        ),
        [
            "config.toml:3:1: [[sensor]] needs \"device\"; add for instance device = \"as73211\"",
            "config.toml:3:1: [[sensor]] needs \"channel\"; add for instance channel = \"intensity_uv\"",
            "config.toml:6:1: \"bus\" does not go with a sensor of the kernel; it goes with chips that Frameside \
             drives itself",
            "config.toml:7:1: \"speed\" does not go with a sensor of the kernel; it goes with recorded and emulated \
             sensors",
            "config.toml:11:10: device cannot be \"../x\"; it must be a name alone, as ls \
             /sys/bus/iio/devices/iio:device0 and its file name show them",
            "config.toml:13:18: W_m2_per_count cannot be 0; it must be above 0 and at most 1000 W/m2 for one count",
            "config.toml:18:1: \"zero_V\" does not go with as73211; it goes with ads1015",
            "config.toml:19:1: \"W_m2_per_count\" does not go with as73211; it goes with devices whose scale is not known",
            "config.toml:23:1: \"device\" does not go with as7331; it goes with chip \"iio\"",
        ]
    );
}

#[test]
fn one_clock_one_speed() {
    let played = |name: &str, more: &str| {
        format!("[[sensor]]\nname = \"{name}\"\nchip = \"recorded\"\nlight = \"day.csv\"\n{more}")
    };
    assert_eq!(
        wrong_after_rig(&(played("a", "speed = 60\n") + &played("b", ""))),
        ["config.toml:8:1: sensor \"b\" is played at speed 1, sensor \"a\" at 60 (line 7); \
         the rig has one clock: give both the same speed"]
    );
    assert_eq!(
        wrong_after_sky(&played("a", "speed = 60\n")),
        [
            "config.toml:10:9: speed 60 cannot be while sensor \"sky\" (line 5) sees real light; leave speed out"
        ]
    );
    assert_eq!(
        wrong_after_rig(&played("a", "speed = 0\nfrom = \"ten\"\nbus = 1\n")),
        [
            "config.toml:7:9: speed cannot be 0; it must be 0.01 to 10000",
            "config.toml:8:8: from cannot be \"ten\"; it must be a time of day like \"10:00\" or a time like \
             \"2026-06-01T10:00:00Z\"",
            "config.toml:9:1: \"bus\" does not go with a recorded light; it goes with chips on an I2C bus",
        ]
    );
}

#[test]
fn paths_that_cannot_be() {
    let long = "x".repeat(108);
    assert_eq!(
        wrong_after_sky(&format!("[ledger]\npath = \"~/l.sqlite\"\n[socket]\npath = \"/{long}\"\n")),
        [
            "config.toml:7:8: path cannot be \"~/l.sqlite\"; it must be a path, absolute or from the config's own \
             folder (~ is not expanded)",
            "config.toml:9:8: the socket's path is too long (109 bytes, at most 107); set a shorter [socket] path",
        ]
    );
    let nowhere = Env::new(|_| None, 0);
    let text = format!("{RIG}{SKY}");
    let problems = parse::parse(text.as_bytes(), Path::new("config.toml"), &nowhere).unwrap_err();
    assert_eq!(
        told(&problems),
        [
            "config.toml:1:1: no place for the ledger: add [ledger] path = \"/where/ledger.sqlite\", or set HOME"
        ]
    );
}

#[test]
fn what_someone_wrote_stays_on_one_line() {
    let long = "y".repeat(5000);
    let lines = wrong_after_sky(&format!("\"a\\nb\" = 1\n{long} = 1\n"));
    assert!(lines[0].starts_with("config.toml:6:1: unknown key \"a\u{fffd}b\" in [[sensor]]; "));
    assert!(lines.iter().all(|line| line.chars().count() < 300 && !line.contains('\n')));
}

#[test]
fn no_flood_of_problems() {
    let keys: String = (0..150).map(|i| format!("key{i} = 1\n")).collect();
    let lines = wrong_after_sky(&keys);
    assert_eq!(lines.len(), problems::MOST_PROBLEMS + 1);
    assert_eq!(lines[100], "config.toml:106:1: and 50 more problems from here on; mend the others first");
}

#[test]
fn no_flood_of_problems_of_two_kinds() {
    // Unknown keys, and lines that are no TOML.
    let keys: String = (0..150).map(|i| format!("key{i} = 1\nbroken{i}\n")).collect();
    let lines = wrong_after_sky(&keys);
    assert_eq!(lines.len(), problems::MOST_PROBLEMS + 1);
    let more: Vec<usize> = (0..lines.len()).filter(|&i| lines[i].contains("more problems")).collect();
    assert_eq!(more, [problems::MOST_PROBLEMS], "{lines:?}");
}

#[test]
fn columns_count_characters() {
    assert_eq!(
        wrong_after_sky("[[frame]]\nlabel = \"grüne Eiche\" \u{1}\nname = \"é\"\nsensor = \"sky\"\n")[0],
        "config.toml:7:23: not TOML: unexpected key or value, expected newline, `#`"
    );
}

#[test]
fn files_that_cannot_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("none.toml");
    let error = load(&missing, &desk()).unwrap_err().to_string();
    assert!(error.starts_with(&format!("{}: cannot be read: ", missing.display())), "{error}");

    let large = folder.path().join("large.toml");
    std::fs::write(&large, vec![b'#'; (1 << 20) + 1]).unwrap();
    let error = load(&large, &desk()).unwrap_err().to_string();
    assert_eq!(error, format!("{}: over 1 MiB; this is not a config file", large.display()));

    let error = ConfigError::NotFound { looked: vec![PathBuf::from("/a"), PathBuf::from("/b")] };
    assert_eq!(
        error.to_string(),
        "no config file; looked at /a, /b; name one with --config FILE or FRAMESIDE_CONFIG"
    );
}

#[test]
fn each_problem_is_one_line_of_the_error() {
    let error = ConfigError::Wrong(parse("[rig]\nnam = 1\n").unwrap_err());
    assert_eq!(
        error.to_string(),
        "config.toml:1:1: [rig] needs \"name\"; add for instance name = \"yard\"\n\
         config.toml:1:1: the rig has no sensor; add a [[sensor]] section\n\
         config.toml:2:1: unknown key \"nam\" in [rig]; did you mean \"name\"?"
    );
}

#[test]
fn a_password_that_everyone_can_read_is_warned_of() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let (file, secret) = (folder.path().join("config.toml"), folder.path().join("secret"));
    let text = format!("{RIG}{SKY}[mqtt]\nbroker = \"hub\"\nuser = \"u\"\npassword_file = \"secret\"\n");
    std::fs::write(&file, text).unwrap();
    std::fs::write(&secret, "pw").unwrap();
    let warned = |mode| {
        std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(mode)).unwrap();
        told(load(&file, &desk()).unwrap().warnings())
    };
    let (at, secret) = (file.display(), secret.display());
    assert_eq!(
        warned(0o644),
        [format!("{at}:9:17: {secret} can be read by everyone; say: chmod o-r {secret}")]
    );
    assert!(warned(0o640).is_empty());
}

#[test]
fn a_password_comes_from_a_file_or_from_a_credential() {
    let login = |more: &str| {
        parse(&format!("{RIG}{SKY}[mqtt]\nbroker = \"hub\"\nuser = \"u\"\n{more}"))
            .map(|c| c.mqtt.unwrap().login)
    };
    let from = |password| Some(Login { user: "u".to_owned(), password });
    assert_eq!(login("").unwrap(), from(None));
    let credential = Secret::Credential("mqtt.password".to_owned());
    assert_eq!(login("password_credential = \"mqtt.password\"").unwrap(), from(Some(credential)));
    assert_eq!(
        told(&login("password_file = \"/p\"\npassword_credential = \"a/b\"").unwrap_err()),
        [
            "config.toml:10:1: \"password_credential\" does not go with password_file; it goes with a user without one",
            "config.toml:10:23: password_credential cannot be \"a/b\"; it must be a name without / like \"mqtt.password\"",
        ]
    );
}

#[test]
fn the_light_of_another_rig_needs_a_broker_and_its_names() {
    let mqtt = "[mqtt]\nbroker = \"hub\"\n";
    let sensor = |more: &str| format!("{RIG}[[sensor]]\nname = \"far\"\nchip = \"mqtt\"\n{more}");
    let whole = "rig = \"shed\"\nsensor = \"sky\"\n";
    let config = parse(&(sensor(whole) + mqtt)).unwrap();
    let name = |text| Name::new(text).unwrap();
    assert_eq!(config.sensors[0].kind, SensorKind::Mqtt { rig: name("shed"), sensor: name("sky") });
    assert_eq!(
        wrong(&sensor(whole)),
        ["config.toml:5:8: chip \"mqtt\" needs \"[mqtt]\" beside it; add [mqtt], or leave chip \"mqtt\" out"]
    );
    assert_eq!(
        wrong(&(sensor("rig = \"yard\"\nbus = 1\n") + mqtt)),
        [
            "config.toml:3:1: [[sensor]] needs \"sensor\"; add for instance sensor = \"sky\"",
            "config.toml:6:7: rig cannot be \"yard\"; it must be the name of another rig",
            "config.toml:7:1: \"bus\" does not go with a sensor read elsewhere; it goes with chips on an I2C bus",
        ]
    );
}

fn shipped() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs")
}

#[test]
fn every_shipped_config_is_good_and_built() {
    let files: Vec<_> = std::fs::read_dir(shipped())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect();
    assert_eq!(files.len(), 7);
    for file in files {
        let config = load(&file, &desk()).unwrap_or_else(|error| panic!("{error}"));
        for sensor in &config.sensors {
            if let SensorKind::Emulated { light, .. } | SensorKind::Recorded(light) = &sensor.kind {
                assert!(light.file.exists(), "{}", light.file.display());
            }
        }
    }
}

#[test]
fn the_shipped_light_is_the_formula_it_says() {
    let csv = std::fs::read_to_string(shipped().join("cloudy-hour.csv")).unwrap();
    let mut rows = csv.lines();
    assert_eq!(rows.next(), Some("time,irradiance_w_m2"));
    let start: Timestamp = "2026-06-01T10:00:00Z".parse().unwrap();
    let mut count = 0;
    for row in rows {
        let (time, irradiance) = row.split_once(',').unwrap();
        let t = time.parse::<Timestamp>().unwrap().duration_since(start).as_secs_f64();
        assert_eq!(t, f64::from(count) * 10.0);
        // The formula is written in emulated.toml.
        let wave = |period: f64| (std::f64::consts::TAU * t / period).sin();
        let formula = 42.0 * (0.60 + 0.25 * wave(1700.0) + 0.15 * wave(390.0));
        assert!((irradiance.parse::<f64>().unwrap() - formula).abs() <= 0.0051, "{row}");
        count += 1;
    }
    assert_eq!(count, 361);
}

/// Text that looks like a config, put together from its own pieces.
fn config_like() -> impl Strategy<Value = String> {
    let pieces: Vec<_> = FULL.split_inclusive(|c: char| " \n=\"".contains(c)).map(str::to_owned).collect();
    let noise =
        ["emulated:as7331", "[", "]", "{", "}", "-9223372036854775809", "1e999", "0xfff", "\u{0}", "é"];
    let pieces = pieces.into_iter().chain(noise.map(str::to_owned)).collect::<Vec<_>>();
    proptest::collection::vec(proptest::sample::select(pieces), 0..80).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn nothing_in_a_file_can_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        if let Err(problems) = parse::parse(&bytes, Path::new("config.toml"), &desk()) {
            prop_assert!(!problems.is_empty());
        }
    }

    #[test]
    fn nothing_like_a_config_can_panic(text in config_like()) {
        if let Err(problems) = parse(&text) {
            prop_assert!(!problems.is_empty());
            for problem in problems {
                prop_assert!(!problem.to_string().contains('\n'), "{}", problem);
            }
        }
    }

    #[test]
    fn one_damaged_line_is_refused_or_harmless(cut in 0..FULL.len(), with in "\\PC{0,3}") {
        prop_assume!(FULL.is_char_boundary(cut));
        if let Err(problems) = parse(&format!("{}{with}{}", &FULL[..cut], &FULL[cut..])) {
            prop_assert!(!problems.is_empty());
        }
    }
}

#[test]
fn a_page_is_off_unless_it_is_asked_for() {
    let page = |more: &str| parse(&format!("{RIG}{SKY}{more}")).map(|config| config.page);
    assert_eq!(page("").unwrap(), None);
    let here = page("[page]\nlisten = \"127.0.0.1:8330\"\nhosts = [\"Yard.local\"]\n").unwrap().unwrap();
    assert_eq!((here.listen.port(), &here.hosts[..]), (8330, &["yard.local".to_owned()][..]));
    assert!(here.is_for_this_machine());
    let refused = |more: &str| page(more).unwrap_err().iter().map(ToString::to_string).collect::<String>();
    assert!(
        refused("[page]\n").contains("[page] needs \"listen\"; add for instance listen = \"127.0.0.1:8330\"")
    );
    for listen in ["8330", "localhost:8330", "127.0.0.1", "127.0.0.1:0", "127.0.0.1:99999"] {
        let said = refused(&format!("[page]\nlisten = \"{listen}\"\n"));
        assert!(said.contains("it must be an address of this machine and a port"), "{said}");
    }
    let said = refused("[page]\nlisten = \"[::1]:8330\"\nhosts = [\"http://yard\"]\n");
    assert!(said.contains("a list of host names without a port"), "{said}");
}

#[test]
fn a_page_for_the_whole_network_is_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("config.toml");
    let warned = |listen: &str| {
        std::fs::write(&file, format!("{RIG}{SKY}[page]\nlisten = \"{listen}\"\n")).unwrap();
        told(load(&file, &desk()).unwrap().warnings())
    };
    assert!(warned("127.0.0.1:8330").is_empty() && warned("[::1]:8330").is_empty());
    for listen in ["0.0.0.0:8330", "192.168.1.20:8330", "[::]:8330"] {
        let said = warned(listen);
        assert!(said.len() == 1 && said[0].contains("not encrypted"), "{said:?}");
    }
}

#[test]
fn the_page_of_the_shipped_configs_is_taken_once_its_signs_are_gone() {
    for name in ["yard-as7331.toml", "emulated.toml"] {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs").join(name);
        let text = std::fs::read_to_string(shipped).unwrap();
        let page = ["[page]", "listen", "hosts"];
        let lines = text.lines().map(|line| {
            let bare = line.strip_prefix("# ").filter(|bare| page.iter().any(|key| bare.starts_with(key)));
            bare.unwrap_or(line)
        });
        let config = parse(&lines.collect::<Vec<_>>().join("\n")).unwrap();
        assert_eq!(config.page.unwrap().listen.to_string(), "127.0.0.1:8330", "{name}");
    }
}

#[test]
fn what_earlier_versions_knew_is_taken_with_a_warning() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("config.toml");
    let old = format!(
        "{RIG}{SKY}[mqtt]\nbroker = \"::1\"\ndiscovery = \"components\"\n[ledger]\nkeep_idle_light = false\n"
    );
    std::fs::write(&file, old).unwrap();
    let config = load(&file, &desk()).unwrap();
    assert_eq!(config.mqtt.as_ref().unwrap().discovery, Discovery::Device);
    let said = told(config.warnings()).join("\n");
    assert!(said.contains("announced as one device") && said.contains("light is always kept"), "{said}");
}
