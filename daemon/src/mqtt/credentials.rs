//! What lets the rig in at its broker: a password, and what secures the link. They are files,
//! read at each attempt to connect. One that is missing keeps the rig from its broker and from
//! nothing else, and counts as soon as it is there.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::ClientConfig;

use super::tls::{TlsError, client_config};
use crate::config::{Login, Mqtt, Secret, Tls};

/// Why the credentials cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum CredentialsError {
    /// The password file cannot be read.
    #[error("the password file {} cannot be read ({source}); {}", .file.display(), what_to_do(.file, .source))]
    Password {
        /// The file.
        file: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The service's unit hands over no credentials.
    #[error("systemd gives no credentials; add LoadCredential={0}:FILE to the service, or use password_file")]
    NoCredential(String),
    /// The link cannot be secured.
    #[error(transparent)]
    Tls(#[from] TlsError),
}

fn what_to_do(file: &Path, error: &io::Error) -> String {
    let file = file.display();
    if error.kind() == io::ErrorKind::NotFound {
        format!(
            "put the password into its first line, then: chown root:frameside {file}; chmod 640 {file}; or \
             take user and password out of [mqtt]"
        )
    } else {
        format!("the user of the daemon has to read it: chown root:frameside {file}; chmod 640 {file}")
    }
}

/// A password and what secures the link, as they are now.
pub(super) struct Credentials {
    pub(super) password: Option<String>,
    pub(super) tls: Option<Arc<ClientConfig>>,
}

impl Credentials {
    pub(super) fn read(login: Option<&Login>, tls: Option<&Tls>) -> Result<Self, CredentialsError> {
        let password = login.and_then(|login| login.password.as_ref()).map(password).transpose()?;
        Ok(Self { password, tls: tls.map(client_config).transpose()? })
    }
}

/// Why the daemon cannot have what the broker wants to see, as things are now.
pub(crate) fn credentials_problem(broker: &Mqtt) -> Option<CredentialsError> {
    Credentials::read(broker.login.as_ref(), broker.tls.as_ref()).err()
}

fn password(secret: &Secret) -> Result<String, CredentialsError> {
    let file = match secret {
        Secret::File(file) => file.clone(),
        Secret::Credential(name) => {
            let folder = std::env::var_os("CREDENTIALS_DIRECTORY")
                .ok_or_else(|| CredentialsError::NoCredential(name.clone()))?;
            PathBuf::from(folder).join(name)
        }
    };
    let text =
        std::fs::read_to_string(&file).map_err(|source| CredentialsError::Password { file, source })?;
    Ok(text.lines().next().unwrap_or_default().to_owned())
}
