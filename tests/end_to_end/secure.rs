//! Who may listen and who may command: TLS, certificates, passwords and access lists, with a
//! real Mosquitto.

use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use frameside_tests::{Broker, Publish, Site, repository, wait_for};
use jiff::Timestamp;
use serde_json::json;

use crate::yard::{SOON, expose, json_of, says};

const AVAILABILITY: &str = "frameside/yard/availability";
/// Long enough for a message that is not to come.
const QUIET: Duration = Duration::from_millis(500);

fn site(port: u16, mqtt: &str) -> Site {
    let site = Site::new(&format!(
        "[rig]\nname = \"yard\"\ntimezone = \"UTC\"\n\
         [[sensor]]\nname = \"sky\"\nchip = \"emulated:as7331\"\nlight = \"light.csv\"\n\
         [[frame]]\nname = \"oak\"\nsensor = \"sky\"\n\
         [mqtt]\nbroker = \"127.0.0.1\"\nport = {port}\n{mqtt}\n"
    ));
    let light = "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T12:00:00Z,40\n";
    std::fs::write(site.path("light.csv"), light).unwrap();
    site
}

/// Waits until the daemon has said why there is no link.
fn no_link(site: &Site) -> String {
    let before = std::fs::read_to_string(site.path("stderr")).unwrap_or_default().len();
    let daemon = site.run();
    let line = wait_for("a reason", SOON, || {
        let said = daemon.stderr();
        said[before..].lines().find(|line| line.contains("no link to the broker")).map(str::to_owned)
    });
    assert!(daemon.terminate().success());
    line
}

#[test]
fn over_tls_with_certificates_on_both_sides() {
    let Some(broker) = Broker::start_secured() else { return };
    let tls = |ca: &str, client: &str| {
        let path = |name: &str| broker.path(name).display().to_string();
        let ca = if ca == "system" { ca.to_owned() } else { path(ca) };
        let client = match client {
            "" => String::new(),
            name => format!(
                ", cert = \"{}\", key = \"{}\"",
                path(&format!("{name}.pem")),
                path(&format!("{name}.key"))
            ),
        };
        format!("tls = {{ ca = \"{ca}\"{client} }}")
    };
    let mut site = site(broker.port(), "");
    let configure = |site: &Site, tls: &str| {
        let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
        let kept: Vec<&str> = config.lines().filter(|line| !line.starts_with("tls =")).collect();
        let config = kept.join("\n").replace("[mqtt]\n", &format!("[mqtt]\n{tls}\n"));
        site.configure(&config);
    };

    configure(&site, &tls("ca.pem", "client"));
    let all = broker.subscribe(&["frameside/yard/#"]);
    let daemon = site.run();
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    let print = expose(&site, "oak", "15kJ/m2");
    let begun = all.wait_for(SOON, |message| message.topic == "frameside/yard/signal").json();
    assert_eq!(begun["print"], print.as_str());
    assert!(daemon.terminate().success());
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "offline"));

    // The authority is one that the system trusts.
    configure(&site, &tls("system", "client"));
    site.set_variable("SSL_CERT_FILE", broker.path("ca.pem"));
    let daemon = site.run();
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    assert!(daemon.terminate().success());

    configure(&site, &tls("other.pem", "client"));
    let said = no_link(&site);
    assert!(said.contains("its certificate is not trusted (UnknownIssuer)"), "{said}");
    configure(&site, &tls("ca.pem", ""));
    let said = no_link(&site);
    assert!(said.contains("it wants a certificate of the rig's"), "{said}");

    configure(&site, &tls("missing.pem", "client"));
    let said = no_link(&site);
    assert!(said.contains("missing.pem: ") && said.contains("tls needs a PEM file there"), "{said}");
}

#[test]
fn a_password_comes_from_a_file_or_from_a_credential_of_systemd() {
    let access = "user yard\ntopic readwrite frameside/yard/#\n";
    let Some(broker) = Broker::start_for(&[("yard", "correct horse")], access) else { return };
    let all = broker.subscribe(&[AVAILABILITY]);
    let mut site = site(broker.port(), "user = \"yard\"\npassword_credential = \"mqtt.password\"");
    std::fs::write(site.path("mqtt.password"), "correct horse\n").unwrap();
    let said = no_link(&site);
    assert!(said.contains("add LoadCredential=mqtt.password:FILE to the service"), "{said}");

    let folder = site.path("");
    site.set_variable("CREDENTIALS_DIRECTORY", folder);
    let daemon = site.run();
    let _ = all.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    assert!(daemon.terminate().success());

    let config = std::fs::read_to_string(site.path("config.toml")).unwrap();
    site.configure(&config.replace("password_credential", "password_file"));
    std::fs::set_permissions(site.path("mqtt.password"), std::fs::Permissions::from_mode(0o644)).unwrap();
    let daemon = site.run();
    let _ = all.wait_for(SOON, |message| !message.retained && says(message, AVAILABILITY, "online"));
    let said = daemon.stderr();
    assert!(said.contains("mqtt.password can be read by everyone; say: chmod o-r"), "{said}");
    assert!(!said.contains("horse"), "a password is in the log");
    assert!(daemon.terminate().success());
}

#[test]
fn a_lost_password_file_keeps_the_rig_from_its_broker_alone() {
    let access = "user yard\ntopic readwrite frameside/yard/#\n";
    let Some(broker) = Broker::start_for(&[("yard", "correct horse")], access) else { return };
    let all = broker.subscribe(&[AVAILABILITY]);
    let site = site(broker.port(), "user = \"yard\"\npassword_file = \"mqtt.password\"");
    let checked = site.frameside(["check"]);
    let said = String::from_utf8(checked.stdout).unwrap();
    assert_eq!(checked.status.code(), Some(1), "{said}");
    assert!(said.contains("mqtt.password cannot be read") && said.contains("chmod 640"), "{said}");

    let daemon = site.run();
    expose(&site, "oak", "15kJ/m2");
    let trouble = wait_for("the trouble", SOON, || {
        let troubles = json_of(&site, &["status"])["troubles"][0].clone();
        troubles.as_str().map(str::to_owned)
    });
    assert!(trouble.contains("the password file") && trouble.contains("cannot be read"), "{trouble}");
    assert!(daemon.stderr().contains("ERROR the password file"), "{}", daemon.stderr());

    std::fs::write(site.path("mqtt.password"), "correct horse\n").unwrap();
    let _ = all.wait_for(2 * SOON, |message| says(message, AVAILABILITY, "online"));
    assert!(json_of(&site, &["status"])["troubles"].is_null());
    assert!(site.frameside(["check"]).status.success());
    assert!(daemon.terminate().success());
}

#[test]
fn the_example_list_lets_each_do_its_part_and_no_more() {
    let list = std::fs::read_to_string(repository().join("configs/mosquitto.acl")).unwrap();
    let users = ["yard", "home", "printmaker", "display", "stranger"].map(|user| (user, "secret"));
    let Some(mut broker) = Broker::start_for(&users, &list) else { return };
    let login = "user = \"yard\"\npassword_file = \"secret\"\ndiscovery = \"device\"";
    let site = site(broker.port(), login);
    std::fs::write(site.path("secret"), "secret").unwrap();
    let daemon = site.run();
    broker.log_in_as("home", "secret");
    let home = broker.subscribe(&["homeassistant/#", "frameside/#"]);
    let _ = home.wait_for(SOON, |message| says(message, AVAILABILITY, "online"));
    expose(&site, "oak", "900kJ/m2");
    assert!(!daemon.stderr().contains("refuses"), "{}", daemon.stderr());
    let state = || json_of(&site, &["status"])["frames"][0]["state"].clone();
    let cover = Publish::new("frameside/yard/frame/oak/command", "cover");

    // Who may not command is acknowledged by the broker in QoS 1 all the same, or refused.
    for user in ["stranger", "display"] {
        broker.log_in_as(user, "secret");
        broker.try_publish(&cover);
        broker.try_publish(&Publish::new("frameside/yard/command", r#"{"do":"bring-in","frame":"oak"}"#));
    }
    broker.log_in_as("stranger", "secret");
    let stranger = broker.subscribe(&["#"]);
    assert_eq!(stranger.next(QUIET), None, "a stranger can read");
    assert_eq!(state(), "exposing", "somebody without rights can command");

    broker.log_in_as("printmaker", "secret");
    let replies = broker.subscribe(&["frameside/yard/reply"]);
    broker.publish(&cover);
    assert_eq!(replies.next(SOON).unwrap().json()["state"], "covered");
    broker.log_in_as("home", "secret");
    let uncover = json!({"do": "uncover", "id": "1", "issued_at": Timestamp::now().to_string()});
    broker.publish(&Publish::new("frameside/yard/frame/oak/command", uncover.to_string()));
    assert_eq!(replies.next(SOON).unwrap().json()["state"], "exposing");
    assert!(daemon.terminate().success());
}
