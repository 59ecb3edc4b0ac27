//! Text with slots, which whoever says it fills.

/// Literal text and slots in turn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Variant {
    pieces: Vec<Piece>,
}

/// A part of such a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Piece {
    /// As it stands.
    Text(String),
    /// The name of a slot.
    Slot(String),
}

impl Variant {
    /// Reads a text in which `{name}` is a slot, and `{{` and `}}` are braces.
    ///
    /// # Errors
    /// In words, where a brace has no partner.
    pub fn parse(text: &str) -> Result<Variant, String> {
        let mut pieces = Vec::new();
        let mut literal = String::new();
        let mut rest = text.chars().peekable();
        while let Some(c) = rest.next() {
            match c {
                '{' if rest.next_if_eq(&'{').is_some() => literal.push('{'),
                '}' if rest.next_if_eq(&'}').is_some() => literal.push('}'),
                '}' => return Err("a } without its {".to_owned()),
                '{' => {
                    let mut name = String::new();
                    loop {
                        match rest.next() {
                            Some('}') => break,
                            Some('{') | None => return Err(format!("{{{name} has no closing }}")),
                            Some(c) => name.push(c),
                        }
                    }
                    pieces.push(Piece::Text(std::mem::take(&mut literal)));
                    pieces.push(Piece::Slot(name));
                }
                c => literal.push(c),
            }
        }
        pieces.push(Piece::Text(literal));
        Ok(Variant { pieces })
    }

    /// Its parts in turn.
    pub(super) fn pieces(&self) -> &[Piece] {
        &self.pieces
    }

    /// Letters and signs that are no slot's.
    pub(super) fn n_letters(&self) -> usize {
        let of = |piece: &Piece| match piece {
            Piece::Text(text) => text.chars().count(),
            Piece::Slot(_) => 0,
        };
        self.pieces.iter().map(of).sum()
    }

    /// Names of its slots.
    pub fn slots(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().filter_map(|p| match p {
            Piece::Slot(name) => Some(name.as_str()),
            Piece::Text(_) => None,
        })
    }

    /// The text with its slots filled by `value`; absent where it has none for one of them.
    pub fn fill<'v>(&'v self, value: impl Fn(&str) -> Option<&'v str>) -> Option<String> {
        let filled = self.pieces.iter().map(|piece| match piece {
            Piece::Text(text) => Some(text.as_str()),
            Piece::Slot(name) => value(name),
        });
        filled.collect()
    }
}
