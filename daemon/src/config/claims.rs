//! What no two things of a config can share: names, pins, addresses.

/// Who wants something, and where in the file it says so.
#[derive(Debug, Clone)]
pub(super) struct Claim<K> {
    /// What is wanted.
    pub(super) of: K,
    /// Who wants it, as a person would say.
    pub(super) by: String,
    /// Byte offset in the file.
    pub(super) at: usize,
}

/// Every claim whose thing was claimed before, with the claim it collides
/// with: the first in the order given.
pub(super) fn clashes<K: PartialEq>(claims: &[Claim<K>]) -> impl Iterator<Item = (&Claim<K>, &Claim<K>)> {
    claims.iter().enumerate().filter_map(|(i, later)| {
        let first = claims[..i].iter().find(|earlier| earlier.of == later.of)?;
        Some((later, first))
    })
}
