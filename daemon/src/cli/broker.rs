//! From the config to the way to the broker.

use std::path::PathBuf;

use super::Failure;
use crate::assemble;
use crate::config::{Config, Discovery, Mqtt, Secret};
use crate::mqtt::{self, KeepAlive, Password, Settings, topics};

/// Where the broker is and who comes, with the files that the config names read.
pub(super) fn settings(config: &Config, broker: &Mqtt, client_id: &str) -> Result<Settings, Failure> {
    let tls = broker.tls.as_ref().map(mqtt::client_config);
    Ok(Settings {
        host: broker.broker.clone(),
        port: broker.port,
        user: broker.login.as_ref().map(|login| login.user.clone()),
        password: broker
            .login
            .as_ref()
            .and_then(|login| login.password.as_ref())
            .map(password)
            .transpose()?,
        tls: tls.transpose().map_err(|error| Failure::Config(error.to_string()))?,
        client_id: client_id.to_owned(),
        prefix: topics::prefix(config.rig.name.as_str()),
        keep_alive: KeepAlive::new(broker.keep_alive).map_err(|error| Failure::Config(error.to_string()))?,
        lights: assemble::remote_lights(config),
        birth: (broker.discovery != Discovery::Off).then(|| format!("{}/status", broker.discovery_prefix)),
    })
}

fn password(secret: &Secret) -> Result<Password, Failure> {
    let file = match secret {
        Secret::File(file) => file.clone(),
        Secret::Credential(name) => {
            let folder = std::env::var_os("CREDENTIALS_DIRECTORY").ok_or_else(|| {
                Failure::Failed(format!(
                    "systemd gives no credentials; add LoadCredential={name}:FILE to the service, or use password_file"
                ))
            })?;
            PathBuf::from(folder).join(name)
        }
    };
    let text = std::fs::read_to_string(&file)
        .map_err(|error| Failure::Failed(format!("the password file {}: {error}", file.display())))?;
    Ok(Password::new(text.lines().next().unwrap_or_default()))
}
