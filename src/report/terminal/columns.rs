//! Text in the columns of a terminal: cleaned, cut, filled, wrapped.

/// Text without control characters and without those that turn the direction of writing.
pub(crate) fn clean(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}');
    text.chars().map(|c| if c.is_control() || turns(c) { '?' } else { c }).collect()
}

/// Columns that a character takes: East Asian wide forms take two (Unicode Annex 11, the main blocks).
pub(crate) fn columns(text: &str) -> usize {
    let wide = |c: char| matches!(c, '\u{1100}'..='\u{115F}' | '\u{2E80}'..='\u{A4CF}' | '\u{AC00}'..='\u{D7A3}' | '\u{F900}'..='\u{FAFF}' | '\u{FF00}'..='\u{FF60}' | '\u{1F300}'..='\u{1FAFF}' | '\u{20000}'..='\u{3FFFD}');
    text.chars().map(|c| if wide(c) { 2 } else { 1 }).sum()
}

/// Cut or filled up to exactly so many columns.
pub(crate) fn fitted(text: &str, width: usize) -> String {
    let mut out = clean(text);
    if columns(&out) > width {
        while columns(&out) > width - 1 {
            out.pop();
        }
        out.push('…');
    }
    let fill = width - columns(&out);
    out + &" ".repeat(fill)
}

/// Lines of at most so many columns, broken at blanks, within words only where one is longer than a line.
pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    // A value stays with its uncertainty and its unit; the hard blanks become plain ones again in the end.
    let bound = clean(text).replace(" ± ", "\u{A0}±\u{A0}").replace(" %", "\u{A0}%").replace(" °C", "\u{A0}°C");
    for word in bound.split_ascii_whitespace() {
        let last = lines.last_mut().expect("there is one line at least");
        let gap = usize::from(!last.is_empty());
        if columns(last) + gap + columns(word) <= width {
            if gap == 1 {
                last.push(' ');
            }
            last.push_str(word);
            continue;
        }
        if !last.is_empty() {
            lines.push(String::new());
        }
        for c in word.chars() {
            let last = lines.last_mut().expect("there is one line at least");
            if columns(last) + columns(&c.to_string()) > width {
                lines.push(c.to_string());
            } else {
                last.push(c);
            }
        }
    }
    lines.iter().map(|l| l.replace('\u{A0}', " ")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_stays_on_one_line_with_its_uncertainty() {
        assert_eq!(wrapped("gain 1.0 ± 0.1 %", 12), ["gain", "1.0 ± 0.1 %"]);
    }

    #[test]
    fn a_word_longer_than_the_line_is_broken() {
        assert_eq!(wrapped("ab cdefgh 星星星", 4), ["ab", "cdef", "gh", "星星", "星"]);
    }
}
