//! Walking a TOML document section by section, with the place of everything.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problems::{Finding, Log, nearest, shown};

/// One `key = value`.
pub(super) struct Entry<'a> {
    pub(super) key: &'static str,
    pub(super) value: &'a DeValue<'a>,
    /// Byte offset of the value.
    pub(super) at: usize,
}

/// A table of the document, or the lack of one. It learns which keys there
/// are by being asked for them; [`Section::finish`] reports all others.
pub(super) struct Section<'a> {
    title: &'static str,
    table: Option<&'a DeTable<'a>>,
    at: usize,
    asked: Vec<&'static str>,
    /// Keys that have no meaning here.
    out_of_place: Vec<&'static str>,
    log: &'a Log<'a>,
}

impl<'a> Section<'a> {
    /// The document itself, whose keys are the sections.
    pub(super) fn root(document: &'a DeTable<'a>, log: &'a Log<'a>) -> Self {
        Self { title: "", table: Some(document), at: 0, asked: Vec::new(), out_of_place: Vec::new(), log }
    }

    /// Whether the file has it.
    pub(super) fn is_present(&self) -> bool {
        self.table.is_some()
    }

    /// Whether it has a key.
    pub(super) fn has(&self, key: &str) -> bool {
        self.value(key).is_some()
    }

    /// Byte offset of the value of a key; of the section where there is none.
    pub(super) fn at(&self, key: &str) -> usize {
        self.value(key).map_or(self.at, |value| value.span().start)
    }

    fn value(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table?.get(key)
    }

    fn ask(&mut self, key: &'static str) -> Option<Entry<'a>> {
        self.asked.push(key);
        let value = self.value(key)?;
        Some(Entry { key, value: value.get_ref(), at: value.span().start })
    }

    /// The value of a key as `read` takes it; `None` when the key is not there
    /// or, with a problem reported, when its value is wrong.
    pub(super) fn optional<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&Entry<'a>) -> Result<T, Finding>,
    ) -> Option<T> {
        let entry = self.ask(key)?;
        read(&entry).map_err(|finding| self.log.say(entry.at, finding)).ok()
    }

    /// The same with a value for when the key is not there; `None` only when
    /// its value is wrong.
    pub(super) fn or<T>(
        &mut self,
        key: &'static str,
        default: T,
        read: impl FnOnce(&Entry<'a>) -> Result<T, Finding>,
    ) -> Option<T> {
        if self.has(key) {
            return self.optional(key, read);
        }
        self.know(&[key]);
        Some(default)
    }

    /// The same for a key that must be there; `example` is a value in TOML.
    pub(super) fn required<T>(
        &mut self,
        key: &'static str,
        example: &'static str,
        read: impl FnOnce(&Entry<'a>) -> Result<T, Finding>,
    ) -> Option<T> {
        if !self.has(key) {
            self.log.say(self.at, Finding::Missing { section: self.title, key, example });
        }
        self.optional(key, read)
    }

    /// Reports `key` if it is there without the key it `needs`.
    pub(super) fn needs(&self, key: &'static str, needs: &'static str) {
        if self.has(key) && !self.has(needs) {
            self.log.say(self.at(key), Finding::Alone { key, needs });
        }
    }

    /// The section under a key: `[key]`, or `key = { … }`.
    pub(super) fn section(&mut self, key: &'static str, title: &'static str) -> Section<'a> {
        let mut section = Section {
            title,
            table: None,
            at: self.at,
            asked: Vec::new(),
            out_of_place: Vec::new(),
            log: self.log,
        };
        if let Some(entry) = self.ask(key) {
            section.at = entry.at;
            match entry.value {
                DeValue::Table(table) => section.table = Some(table),
                DeValue::Array(_) => self.log.say(entry.at, Finding::TwoBrackets(key)),
                other => self.log.say(entry.at, wrong_type(key, "a section", other)),
            }
        }
        section
    }

    /// The sections under a key: each `[[key]]`.
    pub(super) fn sections(&mut self, key: &'static str, title: &'static str) -> Vec<Section<'a>> {
        let Some(entry) = self.ask(key) else { return Vec::new() };
        let array = match entry.value {
            DeValue::Array(array) if !array.is_empty() => array,
            DeValue::Table(_) => {
                self.log.say(entry.at, Finding::OneBracket(key));
                return Vec::new();
            }
            other => {
                self.log.say(entry.at, wrong_type(key, "one or more sections", other));
                return Vec::new();
            }
        };
        let mut sections = Vec::new();
        for value in array {
            let at = value.span().start;
            match value.get_ref() {
                DeValue::Table(table) => {
                    sections.push(Section {
                        title,
                        table: Some(table),
                        at,
                        asked: Vec::new(),
                        out_of_place: Vec::new(),
                        log: self.log,
                    });
                }
                other => self.log.say(at, wrong_type(key, "a section", other)),
            }
        }
        sections
    }

    /// Reports those of `keys` that are there, for they have no meaning `beside`
    /// the rest.
    pub(super) fn out_of_place(&mut self, keys: &[&'static str], beside: &str, goes_with: &'static str) {
        self.out_of_place.extend(keys);
        for &key in keys {
            if let Some(at) = self.place_of_key(key) {
                self.log.say(at, Finding::OutOfPlace { key, beside: beside.to_owned(), goes_with });
            }
        }
    }

    /// Takes keys as known without reading them.
    pub(super) fn know(&mut self, keys: &[&'static str]) {
        self.asked.extend(keys);
    }

    fn place_of_key(&self, key: &str) -> Option<usize> {
        self.table?.get_key_value(key).map(|(key, _)| key.span().start)
    }

    /// Reports every key that was never asked for.
    pub(super) fn finish(self) {
        let unknown = self.table.into_iter().flatten().filter(|(key, _)| {
            let key: &str = key.get_ref();
            !self.asked.contains(&key) && !self.out_of_place.contains(&key)
        });
        for (key, _) in unknown {
            let name = shown(key.get_ref());
            let near = nearest(key.get_ref(), self.asked.iter().copied());
            let known = self.asked.clone();
            let finding = if self.title.is_empty() {
                Finding::UnknownSection { name, near, known }
            } else {
                Finding::UnknownKey { section: self.title, key: name, near, known }
            };
            self.log.say(key.span().start, finding);
        }
    }
}

/// A value of another kind than its key wants.
pub(super) fn wrong_type(key: &'static str, wanted: &'static str, found: &DeValue<'_>) -> Finding {
    let kind = found.type_str();
    let article = if kind.starts_with(['a', 'i']) { "an" } else { "a" };
    Finding::WrongType { key, wanted, found: format!("{article} {kind}") }
}
