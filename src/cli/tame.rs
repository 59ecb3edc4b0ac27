//! Makes text of any origin fit for a terminal: what is named by others must not be able to give it commands.

/// A text for the terminal without commands to it: control characters but line break and tab (ECMA-48, 5.2 and 5.3), and
/// those that turn the direction of writing (Unicode, UAX 9), are written out.
pub fn tame(text: &str) -> String {
    let mut tame = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '\n' | '\t' => tame.push(character),
            '\r' => tame.push_str("\\r"),
            '\0'..='\x1f' | '\x7f' => tame.push_str(&format!("\\x{:02X}", u32::from(character))),
            '\u{80}'..='\u{9f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => {
                // As JSON has it, for the log in that form.
                tame.push_str(&format!("\\u{:04X}", u32::from(character)));
            }
            _ => tame.push(character),
        }
    }
    tame
}

/// Makes text of any origin fit for a terminal, and for one line of it.
pub fn tame_line(text: &str) -> String {
    tame(text).replace(['\n', '\t'], " ")
}
