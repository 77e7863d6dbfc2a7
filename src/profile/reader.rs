//! Reads sections of a profile and collects every fault on the way.
//!
//! A section is a function `fn read(t: &mut Table) -> Option<Section>`: it asks
//! for each of its keys, then builds its value. A key at fault answers `None`
//! and leaves a [`Fault`]; the other keys are still looked at. Keys that nobody
//! asked for are faults too, so the function is all there is to say about a
//! section. To add one, write such a function in a file of its own and call
//! [`Table::section`] (must be there), [`Table::section_or_default`] (each key
//! has a default) or [`Table::section_if_present`] in `sections::read`.

use std::cell::RefCell;
use std::ops::{Range, RangeInclusive};
use std::time::Duration;

use toml::de::{DeTable, DeValue};
use toml::Spanned;

use super::error::Fault;

/// All faults found so far in one text.
pub(crate) struct Faults<'t> {
    text: &'t str,
    list: RefCell<Vec<Fault>>,
}

impl<'t> Faults<'t> {
    pub fn new(text: &'t str) -> Self {
        Faults {
            text,
            list: RefCell::new(Vec::new()),
        }
    }

    /// Notes a fault at a byte of the text.
    pub fn add(&self, at: usize, key: impl Into<String>, says: impl Into<String>) {
        self.list.borrow_mut().push(Fault {
            line: self.line(at),
            key: key.into(),
            says: says.into(),
        });
    }

    fn line(&self, at: usize) -> usize {
        let before = self.text.as_bytes().iter().take(at);
        1 + before.filter(|b| **b == b'\n').count()
    }

    /// The faults in order of lines; each once.
    pub fn into_sorted(self) -> Vec<Fault> {
        let mut list = self.list.into_inner();
        list.sort();
        list.dedup();
        list
    }
}

/// One table of the profile while it is read.
pub(crate) struct Table<'a, 't> {
    /// `None` for a section that was left out and has a default for each key.
    entries: Option<&'a DeTable<'t>>,
    at: usize,
    path: String,
    asked: Vec<&'static str>,
    faults: &'a Faults<'t>,
}

impl<'a, 't> Table<'a, 't> {
    pub fn root(entries: &'a Spanned<DeTable<'t>>, faults: &'a Faults<'t>) -> Self {
        Table {
            entries: Some(entries.get_ref()),
            at: 0,
            path: String::new(),
            asked: Vec::new(),
            faults,
        }
    }

    /// The full name of a key of this table.
    pub fn key(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// Whether the key is given; counts as asked for.
    pub fn has(&mut self, key: &'static str) -> bool {
        self.find(key).is_some()
    }

    /// A fault at a key of this table, or at the table if the key is not given.
    /// `says` follows the key: `" = 3 is …; do …"`.
    pub fn fault(&self, key: &str, says: impl Into<String>) {
        let entry = self.entries.and_then(|e| e.get_key_value(key));
        let span = entry.map_or(self.at, |(k, _)| k.span().start);
        self.faults.add(span, self.key(key), says);
    }

    /// A fault at a key inside this table's sections; `path` as in messages, a
    /// list's member as `zone[1]`. Falls back to the innermost part that is
    /// given.
    pub fn fault_within(&self, path: &[String], says: impl Into<String>) {
        let mut at = self.at;
        let mut entries = self.entries;
        for part in path {
            let (name, index) = match part.split_once('[') {
                Some((name, rest)) => (name, rest.trim_end_matches(']').parse().ok()),
                None => (part.as_str(), None::<usize>),
            };
            let Some((key, value)) = entries.and_then(|e| e.get_key_value(name)) else {
                break;
            };
            at = key.span().start;
            let mut value = value;
            if let (Some(i), DeValue::Array(items)) = (index, value.get_ref()) {
                if let Some(item) = items.get(i.saturating_sub(1)) {
                    at = at.max(item.span().start);
                    value = item;
                }
            }
            entries = value.get_ref().as_table();
        }
        self.faults.add(at, self.key(&path.join(".")), says);
    }

    fn find(&mut self, key: &'static str) -> Option<(&'a DeValue<'t>, Range<usize>)> {
        if !self.asked.contains(&key) {
            self.asked.push(key);
        }
        let (k, v) = self.entries?.get_key_value(key)?;
        Some((v.get_ref(), k.span()))
    }

    fn missing<T>(&self, key: &str, advice: &str) -> Option<T> {
        self.fault(key, format!(" is missing; {advice}"));
        None
    }

    fn wrong<T>(&self, key: &str, value: &DeValue, wanted: &str, advice: &str) -> Option<T> {
        self.fault(key, format!(" = {} is not {wanted}; {advice}", show(value)));
        None
    }

    /// A number within `range`; it must be there. `advice` says how to come by
    /// the value.
    pub fn number(
        &mut self,
        key: &'static str,
        range: RangeInclusive<f64>,
        advice: &str,
    ) -> Option<f64> {
        match self.find(key) {
            Some((value, _)) => self.in_range(key, value, &range, advice),
            None => self.missing(key, advice),
        }
    }

    /// A number within `range`, or the default if it is not given.
    pub fn number_or(
        &mut self,
        key: &'static str,
        default: f64,
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let advice = format!("leave it out for {default}");
        match self.find(key) {
            Some((value, _)) => self.in_range(key, value, &range, &advice),
            None => Some(default),
        }
    }

    fn in_range(
        &self,
        key: &str,
        value: &DeValue,
        range: &RangeInclusive<f64>,
        advice: &str,
    ) -> Option<f64> {
        let Some(number) = number_of(value) else {
            return self.wrong(key, value, "a number", advice);
        };
        if !number.is_finite() || !range.contains(&number) {
            self.fault(
                key,
                format!(
                    " = {} is outside {} to {}; {advice}",
                    show(value),
                    range.start(),
                    range.end()
                ),
            );
            return None;
        }
        Some(number)
    }

    /// A whole number within `range`; it must be there.
    pub fn whole(
        &mut self,
        key: &'static str,
        range: RangeInclusive<u32>,
        advice: &str,
    ) -> Option<u32> {
        let wide = f64::from(*range.start())..=f64::from(*range.end());
        match self.find(key) {
            Some((value @ DeValue::Integer(_), _)) => {
                self.in_range(key, value, &wide, advice).map(|n| n as u32)
            }
            Some((value, _)) => self.wrong(key, value, "a whole number", advice),
            None => self.missing(key, advice),
        }
    }

    /// A whole number within `range`, or the default.
    pub fn whole_or(
        &mut self,
        key: &'static str,
        default: u32,
        range: RangeInclusive<u32>,
    ) -> Option<u32> {
        if self.has(key) {
            self.whole(key, range, &format!("leave it out for {default}"))
        } else {
            Some(default)
        }
    }

    /// Milliseconds within `range`, or the default.
    pub fn millis_or(
        &mut self,
        key: &'static str,
        default: u32,
        range: RangeInclusive<u32>,
    ) -> Option<Duration> {
        self.whole_or(key, default, range)
            .map(|ms| Duration::from_millis(u64::from(ms)))
    }

    /// `true` or `false`, or the default.
    pub fn flag_or(&mut self, key: &'static str, default: bool) -> Option<bool> {
        match self.find(key) {
            Some((DeValue::Boolean(b), _)) => Some(*b),
            Some((value, _)) => self.wrong(key, value, "true or false", "write true or false"),
            None => Some(default),
        }
    }

    /// A text that is neither empty nor holds control characters, if given.
    pub fn text_if_present(&mut self, key: &'static str, advice: &str) -> Option<Option<String>> {
        match self.find(key) {
            Some((DeValue::String(s), _))
                if !s.trim().is_empty() && s.len() <= 255 && !s.chars().any(char::is_control) =>
            {
                Some(Some(s.to_string()))
            }
            Some((value, _)) => self.wrong(key, value, "a text of 1 to 255 characters", advice),
            None => Some(None),
        }
    }

    /// A text; it must be there.
    pub fn text(&mut self, key: &'static str, advice: &str) -> Option<String> {
        match self.text_if_present(key, advice)? {
            Some(text) => Some(text),
            None => self.missing(key, advice),
        }
    }

    /// A text, or the default.
    pub fn text_or(&mut self, key: &'static str, default: &str) -> Option<String> {
        let text = self.text_if_present(key, &format!("leave it out for \"{default}\""))?;
        Some(text.unwrap_or_else(|| default.to_owned()))
    }

    /// One word of a list, if given.
    pub fn word_if_present<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&str, T)],
    ) -> Option<Option<T>> {
        let Some((value, _)) = self.find(key) else {
            return Some(None);
        };
        if let DeValue::String(s) = value {
            if let Some((_, meaning)) = words.iter().find(|(w, _)| w == s) {
                return Some(Some(*meaning));
            }
        }
        self.wrong(key, value, "a word known here", &one_of(words))
    }

    /// One word of a list; it must be there.
    pub fn word<T: Copy>(&mut self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        match self.word_if_present(key, words)? {
            Some(meaning) => Some(meaning),
            None => self.missing(key, &one_of(words)),
        }
    }

    /// A list of numbers, if given; `count` bounds how many, `range` each one.
    pub fn numbers_if_present(
        &mut self,
        key: &'static str,
        count: RangeInclusive<usize>,
        range: RangeInclusive<f64>,
        advice: &str,
    ) -> Option<Option<Vec<f64>>> {
        let Some((value, _)) = self.find(key) else {
            return Some(None);
        };
        self.numbers_of(key, value, count, range, advice).map(Some)
    }

    fn numbers_of(
        &self,
        key: &str,
        value: &DeValue,
        count: RangeInclusive<usize>,
        range: RangeInclusive<f64>,
        advice: &str,
    ) -> Option<Vec<f64>> {
        let DeValue::Array(items) = value else {
            return self.wrong(key, value, "a list of numbers", advice);
        };
        if !count.contains(&items.len()) {
            let wanted = if count.start() == count.end() {
                format!("a list of {} numbers", count.start())
            } else {
                format!("a list of {} to {} numbers", count.start(), count.end())
            };
            return self.wrong(key, value, &wanted, advice);
        }
        let numbers: Vec<Option<f64>> = items
            .iter()
            .map(|item| self.in_range(key, item.get_ref(), &range, advice))
            .collect();
        numbers.into_iter().collect()
    }

    /// A list of lists of numbers, each of the same length, if given.
    pub fn rows_if_present(
        &mut self,
        key: &'static str,
        rows: RangeInclusive<usize>,
        columns: usize,
        range: RangeInclusive<f64>,
        advice: &str,
    ) -> Option<Option<Vec<Vec<f64>>>> {
        let Some((value, _)) = self.find(key) else {
            return Some(None);
        };
        match value {
            DeValue::Array(items) if rows.contains(&items.len()) => items
                .iter()
                .map(|item| {
                    let count = columns..=columns;
                    self.numbers_of(key, item.get_ref(), count, range.clone(), advice)
                })
                .collect::<Vec<_>>()
                .into_iter()
                .collect::<Option<Vec<_>>>()
                .map(Some),
            _ => {
                let wanted = format!(
                    "a list of {} to {} lists of {columns} numbers",
                    rows.start(),
                    rows.end()
                );
                self.wrong(key, value, &wanted, advice)
            }
        }
    }

    /// A section that must be there.
    pub fn section<T>(
        &mut self,
        key: &'static str,
        advice: &str,
        read: impl FnOnce(&mut Table<'a, 't>) -> Option<T>,
    ) -> Option<T> {
        match self.section_if_present(key, read)? {
            Some(section) => Some(section),
            None => {
                let says = format!("] is missing; {advice}");
                self.faults
                    .add(self.at, format!("[{}", self.key(key)), says);
                None
            }
        }
    }

    /// A section each key of which has a default.
    pub fn section_or_default<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&mut Table<'a, 't>) -> Option<T>,
    ) -> Option<T> {
        if self.has(key) {
            return self.section(key, "", read);
        }
        read_table(None, self.faults, self.key(key), self.at, read)
    }

    /// A section that may be left out.
    pub fn section_if_present<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&mut Table<'a, 't>) -> Option<T>,
    ) -> Option<Option<T>> {
        match self.find(key) {
            None => Some(None),
            Some((DeValue::Table(entries), span)) => {
                let path = self.key(key);
                read_table(Some(entries), self.faults, path, span.start, read).map(Some)
            }
            Some((value, _)) => {
                let advice = format!("write [{}] on a line of its own", self.key(key));
                self.wrong(key, value, "a section", &advice)
            }
        }
    }

    /// All sections `[[key]]`; an empty list if there is none. They are named
    /// `key[1]`, `key[2]`, … in messages.
    pub fn list<T>(
        &mut self,
        key: &'static str,
        mut read: impl FnMut(&mut Table<'a, 't>) -> Option<T>,
    ) -> Option<Vec<T>> {
        let advice = format!("write [[{}]] on a line of its own", self.key(key));
        let Some((value, key_span)) = self.find(key) else {
            return Some(Vec::new());
        };
        let DeValue::Array(items) = value else {
            return self.wrong(key, value, "a list of sections", &advice);
        };
        let mut all = Some(Vec::new());
        for (i, item) in items.iter().enumerate() {
            let one = match item.get_ref() {
                DeValue::Table(entries) => {
                    let path = format!("{}[{}]", self.key(key), i + 1);
                    let at = item.span().start.max(key_span.start);
                    read_table(Some(entries), self.faults, path, at, &mut read)
                }
                other => self.wrong(key, other, "a section", &advice),
            };
            match (one, &mut all) {
                (Some(one), Some(list)) => list.push(one),
                _ => all = None,
            }
        }
        all
    }

    /// Reports every key that nobody asked for.
    pub fn finish(self) {
        for key in self.entries.iter().flat_map(|e| e.keys()) {
            let name: &str = key.get_ref();
            if self.asked.contains(&name) {
                continue;
            }
            let near = self
                .asked
                .iter()
                .map(|known| (strsim::damerau_levenshtein(known, name), known))
                .filter(|(distance, known)| *distance <= 2.max(known.len() / 3))
                .min();
            let advice = match near {
                Some((_, known)) => format!("did you mean {known}?"),
                None if self.asked.is_empty() => "take it out".to_owned(),
                None => format!("take it out; known here: {}", self.asked.join(", ")),
            };
            self.faults.add(
                key.span().start,
                self.key(&name.escape_debug().to_string()),
                format!(" is not a key of a profile; {advice}"),
            );
        }
    }
}

fn read_table<'a, 't, T>(
    entries: Option<&'a DeTable<'t>>,
    faults: &'a Faults<'t>,
    path: String,
    at: usize,
    read: impl FnOnce(&mut Table<'a, 't>) -> Option<T>,
) -> Option<T> {
    let mut table = Table {
        entries,
        at,
        path,
        asked: Vec::new(),
        faults,
    };
    let section = read(&mut table);
    table.finish();
    section
}

fn one_of<T>(words: &[(&str, T)]) -> String {
    let list: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
    format!("write one of {}", list.join(", "))
}

fn number_of(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Float(f) => f.as_str().parse().ok(),
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
            .ok()
            .map(|n| n as f64),
        _ => None,
    }
}

/// The value as it may stand in a one-line message.
fn show(value: &DeValue) -> String {
    match value {
        DeValue::String(s) => {
            let short: String = s.chars().take(40).collect();
            format!("{short:?}")
        }
        DeValue::Integer(i) => i.to_string(),
        DeValue::Float(f) => f.to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(d) => d.to_string(),
        DeValue::Array(a) => format!("[… {} values]", a.len()),
        DeValue::Table(_) => "{…}".to_owned(),
    }
}
