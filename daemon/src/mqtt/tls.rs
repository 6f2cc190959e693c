//! What a link needs to be secured: who vouches for the broker, and the rig's
//! own certificate.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::pki_types::pem::{self, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

use crate::config::{Ca, Tls};

/// Why a link cannot be secured as the config asks.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read, or is not PEM.
    #[error("{}: {source}; tls needs a PEM file there that the daemon can read", .file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What is wrong with it.
        source: pem::Error,
    },
    /// There is nothing of the kind in a file.
    #[error("{}: no certificate in it; tls needs a PEM file that begins with BEGIN CERTIFICATE", .0.display())]
    NoCertificate(PathBuf),
    /// The system trusts nobody.
    #[error(
        "the system has no root certificates; install ca-certificates, or name a file in tls = {{ ca = … }}"
    )]
    NoSystemRoots,
    /// Certificate and key do not fit, or are of a kind that is not known.
    #[error("{}: {source}", .file.display())]
    Unusable {
        /// The file.
        file: PathBuf,
        /// Why.
        source: rustls::Error,
    },
}

/// Reads what the config names.
///
/// # Errors
/// [`TlsError`] when a file cannot be used.
pub(super) fn client_config(tls: &Tls) -> Result<Arc<ClientConfig>, TlsError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("the provider has a suite for each default version")
        .with_root_certificates(roots(&tls.ca)?);
    let config = match &tls.client {
        None => builder.with_no_client_auth(),
        Some(client) => builder
            .with_client_auth_cert(certificates(&client.cert)?, key(&client.key)?)
            .map_err(|source| TlsError::Unusable { file: client.cert.clone(), source })?,
    };
    Ok(Arc::new(config))
}

fn roots(ca: &Ca) -> Result<RootCertStore, TlsError> {
    let mut roots = RootCertStore::empty();
    match ca {
        Ca::System => {
            // One that is damaged does not spoil the others.
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                return Err(TlsError::NoSystemRoots);
            }
        }
        Ca::File(file) => {
            for certificate in certificates(file)? {
                roots.add(certificate).map_err(|source| TlsError::Unusable { file: file.clone(), source })?;
            }
        }
    }
    Ok(roots)
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let unreadable = |source| TlsError::Unreadable { file: file.to_owned(), source };
    let certificates: Vec<_> = CertificateDer::pem_file_iter(file)
        .map_err(unreadable)?
        .collect::<Result<_, _>>()
        .map_err(unreadable)?;
    if certificates.is_empty() { Err(TlsError::NoCertificate(file.to_owned())) } else { Ok(certificates) }
}

fn key(file: &Path) -> Result<PrivateKeyDer<'static>, TlsError> {
    PrivateKeyDer::from_pem_file(file)
        .map_err(|source| TlsError::Unreadable { file: file.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::ClientCertificate;

    #[test]
    fn what_is_wrong_with_a_file_is_told_with_its_name() {
        let folder = tempfile::TempDir::new().unwrap();
        let (missing, other) = (folder.path().join("missing.pem"), folder.path().join("other.pem"));
        std::fs::write(&other, "just text\n").unwrap();
        let error = |file: &Path| {
            client_config(&Tls { ca: Ca::File(file.to_owned()), client: None }).unwrap_err().to_string()
        };
        assert!(error(&missing).starts_with(&format!("{}: ", missing.display())), "{}", error(&missing));
        assert!(error(&other).contains("other.pem: no certificate in it"), "{}", error(&other));
        let client = ClientCertificate { cert: other.clone(), key: missing };
        let tls = Tls { ca: Ca::File(other), client: Some(client) };
        assert!(matches!(client_config(&tls), Err(TlsError::NoCertificate(_))));
    }
}
