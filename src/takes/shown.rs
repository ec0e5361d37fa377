//! Names and texts from outside, made safe to show on one line.

use std::fmt::Write as _;
use std::path::Path;

/// A file name as people may see it: what is not UTF-8 becomes `\xff`, what would move the
/// cursor, break the line or turn the reading direction becomes its Rust escape. An ordinary
/// name stays as it is.
#[must_use]
pub fn path(path: &Path) -> String {
    bytes(path.as_os_str().as_encoded_bytes())
}

/// The same for bytes of any origin (chunk names, metadata).
#[must_use]
pub fn bytes(bytes: &[u8]) -> String {
    let mut shown = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        for c in chunk.valid().chars() {
            if is_unsafe(c) {
                shown.extend(c.escape_default());
            } else {
                shown.push(c);
            }
        }
        for byte in chunk.invalid() {
            // Writing to a String cannot fail.
            let _ = write!(shown, "\\x{byte:02x}");
        }
    }
    shown
}

/// Controls (C0, C1), line and paragraph separators, and the marks that turn the direction of
/// reading (Unicode UAX #9: embeddings, overrides, isolates, implicit marks).
fn is_unsafe(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        || matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{feff}')
}

/// A whole number with commas between its thousands.
#[must_use]
pub fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut shown = String::new();
    for (k, digit) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            shown.push(',');
        }
        shown.push(digit);
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ordinary_names_stay_and_others_are_escaped() {
        assert_eq!(bytes("Röhre  <b>&.wav".as_bytes()), "Röhre  <b>&.wav");
        assert_eq!(bytes("ro\u{308}hre.wav".as_bytes()), "ro\u{308}hre.wav");
        assert_eq!(bytes(b"new\nline\x1b[31m.wav"), "new\\nline\\u{1b}[31m.wav");
        assert_eq!(bytes(b"bad\xff\xfeutf8.wav"), "bad\\xff\\xfeutf8.wav");
        assert_eq!(bytes("vaw.\u{202e}exe".as_bytes()), "vaw.\\u{202e}exe");
    }

    #[test]
    fn counts_have_commas() {
        assert_eq!(count(0), "0");
        assert_eq!(count(999), "999");
        assert_eq!(count(1000), "1,000");
        assert_eq!(count(4_294_967_295), "4,294,967,295");
    }
}
