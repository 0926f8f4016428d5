//! What comments and pages cite: rows of check values, files, and what is not of this project.

/// What no reader of the project has.
const OUTSIDE: [&str; 4] = ["../shared", "/work/", "reported faults", "list of faults"];

/// Endings of files that a comment may only name if they are here.
const OF_THE_PROJECT: [&str; 2] = [".rs", ".md"];
const FOLDERS: [&str; 5] = ["src/", "tests/", "benches/", "fixtures/", ".ci/"];

/// Rows `Cn.m`, ranges `Cn.m to Cn.k` in full, and tests named after their rows.
pub fn check_values_named(line: &str) -> Vec<String> {
    let tests = line.trim_start().strip_prefix("fn c").map_or(String::new(), |name| name.replace("_c", " C"));
    let tests = if tests.starts_with(|c: char| c.is_ascii_digit()) { as_rows(&format!("C{tests}")) } else { tests };
    let mut found = Vec::new();
    for text in [line, &tests] {
        let rows: Vec<(usize, usize, Id)> = rows(text);
        for (i, (start, end, id)) in rows.iter().enumerate() {
            let from = match i.checked_sub(1).map(|b| &rows[b]) {
                Some((_, before_end, before)) if before.subject == id.subject && is_to(&text[*before_end..*start]) => {
                    before.number + 1
                }
                _ => id.number,
            };
            found.extend((from..id.number).map(|n| format!("C{}.{n}", id.subject)));
            found.push(text[*start..*end].to_owned());
        }
    }
    found
}

fn is_to(between: &str) -> bool {
    between == " to "
}

/// `C5_1_to C5_4_dark` as `C5.1 to C5.4 dark`.
fn as_rows(name: &str) -> String {
    let mut text = String::new();
    for word in name.split(' ') {
        let row = word.starts_with("C") && word[1..].starts_with(|c: char| c.is_ascii_digit());
        let word = if row { word.replacen('_', ".", 1) } else { word.to_owned() };
        text += &word.replace('_', " ");
        text.push(' ');
    }
    text
}

struct Id {
    subject: usize,
    number: usize,
}

/// Where rows stand in a text: start, end, numbers.
fn rows(text: &str) -> Vec<(usize, usize, Id)> {
    let mut found = Vec::new();
    for (start, _) in text.match_indices('C') {
        let digits = |at: usize| text[at..].bytes().take_while(u8::is_ascii_digit).count();
        let letter = |c: char| c.is_alphanumeric() || c == '_';
        let point = start + 1 + digits(start + 1);
        if text[..start].ends_with(letter) || point == start + 1 || !text[point..].starts_with('.') {
            continue;
        }
        let end = point + 1 + digits(point + 1);
        // A letter behind tells variants of a row apart.
        let suffix = usize::from(text[end..].starts_with(|c: char| c.is_ascii_lowercase()));
        if end == point + 1 || text[end + suffix..].starts_with(letter) {
            continue;
        }
        let number = |a: usize, b: usize| text[a..b].parse().expect("digits");
        found.push((start, end + suffix, Id { subject: number(start + 1, point), number: number(point + 1, end) }));
    }
    found
}

/// What a comment cites from outside the project.
pub fn outside(text: &str) -> impl Iterator<Item = String> {
    let numbered = text.split_once("// Number ").filter(|(_, n)| n.starts_with(|c: char| c.is_ascii_digit()));
    let phrases = OUTSIDE.into_iter().filter(|p| text.contains(p)).map(str::to_owned);
    phrases.chain(numbered.map(|(_, n)| format!("number {n}"))).collect::<Vec<_>>().into_iter()
}

/// Files and folders of the project that a comment names.
pub fn files_named(text: &str) -> Vec<String> {
    let inside = |c: char| c.is_alphanumeric() || "_-./*".contains(c);
    // A web address is none.
    let words = text.split_whitespace().filter(|w| !w.contains("://")).flat_map(|w| w.split(|c| !inside(c)));
    let words = words.map(|w| w.trim_end_matches(['.', '/']));
    let name = |w: &&str| {
        let named = |ending: &&str| w.len() > ending.len() && w.ends_with(*ending);
        OF_THE_PROJECT.iter().any(named) || FOLDERS.iter().any(|f| w.starts_with(f))
    };
    words.filter(name).map(str::to_owned).collect()
}

/// Whether a file or folder of this name, or of a path that ends so, is among all; `*` stands for a part of it.
pub fn is_here(named: &str, all: &[String]) -> bool {
    let (before, after) = named.split_once('*').unwrap_or((named, ""));
    all.iter().any(|path| {
        let from_the_root = path.starts_with(before) && path.ends_with(after);
        let tail = path.match_indices('/').any(|(i, _)| path[i + 1..].starts_with(before) && path.ends_with(after));
        if named.contains('*') {
            return from_the_root || tail;
        }
        path == named || path.ends_with(&format!("/{named}")) || path.starts_with(&format!("{named}/"))
    })
}
