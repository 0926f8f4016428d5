//! What the scanner of the sources sees in small pieces of code.

use std::collections::BTreeSet;

use super::arrows::{arrows, circles};
use super::citations::{check_values_named, files_named, is_here, outside};
use super::sentences::{read_texts, sentences};
use super::source::{Part, Source, comments, functions, sources};

#[test]
fn the_scanner_leaves_tests_out_and_keeps_what_stands_behind_them() {
    let text = "//! Words that no code holds.\nuse a::B;\n/// For tests.\n#[allow(x)]\n#[cfg(test)]\nmod golden;\n\
                #[cfg(test)]\nuse c::{D, E};\nfn kept(a: u8) -> &'static str {\n    \"kept\"\n}\n\
                #[cfg(test)]\nmod tests {\n    #[test]\n    fn gone() { \"gone\"; }\n}\nfn last() {}\n";
    let source = Source::of("src/sky/mod.rs", text);
    assert_eq!(source.module, ["sky"]);
    assert_eq!(source.row.parts.iter().filter_map(Part::text).collect::<Vec<_>>(), ["kept"]);
    let found: Vec<_> = functions(&source.code).into_iter().map(|f| (f.name, f.line, f.lines, f.arguments)).collect();
    assert_eq!(found, [("kept".to_owned(), 9, 3, 1), ("last".to_owned(), 17, 1, 0)]);
    assert!(!sources().iter().any(|s| s.path.ends_with("report/sample.rs")), "a module of tests in a file of its own");
}

#[test]
fn the_scanner_counts_self_and_looks_into_traits_and_functions_of_functions() {
    let text = "trait T {\n    fn told(&self, a: u8) {\n    }\n    fn bare(&self);\n}\nimpl S {\n    pub fn of(\n        self,\n    ) {\n        \
                fn inner() {}\n    }\n}\n";
    let found = functions(&Source::of("src/a.rs", text).code);
    let told: Vec<_> = found.iter().map(|f| (&*f.name, f.lines, f.arguments)).collect();
    assert_eq!(told, [("told", 2, 2), ("of", 5, 1), ("inner", 1, 0)]);
}

#[test]
fn arrows_end_where_a_name_is_defined() {
    let files = [
        ("src/lib.rs", "pub mod low;\npub mod high;\n"),
        (
            "src/low/mod.rs",
            "mod deep;\nmod idle;\npub use deep::{Thing, other as Other};\npub(crate) use idle::Idle;\n",
        ),
        ("src/low/deep.rs", "pub struct Thing;\n"),
        ("src/low/idle.rs", "use super::Thing;\n"),
        (
            "src/high.rs",
            "use crate::low;\nfn f() { low::Thing; crate::low::Idle; std::mem::take(x); format!(\"{}\", low::Other) }\n",
        ),
    ];
    let sources: Vec<_> = files.iter().map(|(path, text)| Source::of(path, text)).collect();
    let found = arrows(&sources);
    let told: BTreeSet<String> = found.iter().map(|a| format!("{} {} {}", a.place, a.name, a.to.join("::"))).collect();
    let want = [
        "src/high.rs:2 Idle low::idle",
        "src/high.rs:2 Thing low::deep",
        "src/high.rs:2 other low::deep",
        "src/low/idle.rs:1 Thing low::deep",
    ];
    assert_eq!(told.iter().collect::<Vec<_>>(), want);
    assert!(circles(&found).is_empty());
}

#[test]
fn circles_of_two_and_three_are_seen_with_all_their_files() {
    let files = [
        ("src/a.rs", "use crate::b::{self, B};\n"),
        ("src/b.rs", "fn f() { crate::c::C }\n"),
        ("src/c.rs", "use super::a::A;\nuse crate::d::D;\n"),
        ("src/d.rs", ""),
        ("src/e/mod.rs", "mod f;\nfn g() { f::h() }\n"),
        ("src/e/f.rs", "use super::g;\n"),
    ];
    let sources: Vec<_> = files.iter().map(|(path, text)| Source::of(path, text)).collect();
    let found = arrows(&sources);
    let told: Vec<Vec<String>> = circles(&found).iter().map(|c| c.iter().map(|m| m.join("::")).collect()).collect();
    assert_eq!(told, [vec!["a", "b", "c"], vec!["e", "e::f"]]);
}

#[test]
fn sentences_are_told_from_names_and_from_what_cannot_happen() {
    let text = r#"
        #[derive(Error)] enum E { #[error("no file of this name {0}")] None }
        fn f() {
            let a = "not enough flats";
            let b = format!("only {n} of {m:.3} flats");
            let c = x.expect("a list of four names").y("has far too few flats");
            unreachable!("this one cannot happen here");
        }
    "#;
    let row = Source::of("src/a.rs", text).row;
    assert_eq!(sentences(&row), [(6, "has far too few flats".to_owned())]);
    let row = Source::of("src/a.rs", "const A: &str = \"only {n} of the flats\";").row;
    assert_eq!(sentences(&row).len(), 1);
}

#[test]
fn looking_into_a_text_is_seen_in_all_its_forms() {
    let seen = |code: &str| read_texts(&Source::of("src/a.rs", &format!("fn f() {{ {code} }}")).row).len();
    for code in [
        r#"why.contains("would supply it")"#,
        r#"why.split("; ").next()"#,
        r##"why.strip_prefix(r#"high"#)"##,
        r#"if why == "not measurable" {}"#,
        r#"if "not measurable" != why {}"#,
        r#"match why { "not measurable" | "not asked" => 1, _ => 2 }"#,
        r#"const SUPPLY: &str = "would supply it"; why.ends_with(SUPPLY)"#,
    ] {
        assert!(seen(code) > 0, "{code}");
    }
    for code in
        [r#"why.contains(&3)"#, "why.find(|c| c == 'x')", r#"unit == "px""#, r#"x = "not measured""#, "a.split(b)"]
    {
        assert_eq!(seen(code), 0, "{code}");
    }
}

#[test]
fn comments_are_told_from_strings() {
    let text = "let a = \"// no\\\" // no\"; // one\nlet b: &'a str = r#\"\" // no\"#; let c = ['\"', '\\''];\n/// two\n/* three\nfour */ x\n";
    let told: Vec<(usize, String)> = comments(text);
    let want = [(1, "// one"), (3, "/// two"), (4, "/* three"), (5, "four */")];
    assert_eq!(told, want.map(|(line, text)| (line, text.to_owned())));
}

#[test]
fn check_values_are_read_in_ranges_and_names_of_tests() {
    assert_eq!(check_values_named("C4.8 to C4.10, C1.10b; C++ AC1.2 C1.x C1.2d4"), ["C4.8", "C4.9", "C4.10", "C1.10b"]);
    assert_eq!(check_values_named("C1.9 to C2.1"), ["C1.9", "C2.1"]);
    assert_eq!(check_values_named("    fn c5_14_to_c5_16_celsius() {"), ["C5.14", "C5.15", "C5.16"]);
    assert_eq!(check_values_named("fn c5_5_c5_6_one()"), ["C5.5", "C5.6"]);
    assert!(check_values_named("fn clipped(a: u8) {").is_empty());
}

#[test]
fn citations_are_looked_up_by_the_end_of_their_path() {
    let all = ["src/sky/search.rs", "README.md", "fixtures/readme/report.png"].map(str::to_owned);
    let missing = |text: &str| files_named(text).into_iter().filter(|f| !is_here(f, &all)).collect::<Vec<_>>();
    let here =
        "// `sky/search.rs`, `search.rs:12`, README.md. fixtures/readme/, sky/s*.rs; https://a.b/c.md and report.json";
    assert!(missing(here).is_empty(), "{:?}", missing(here));
    assert_eq!(
        missing("// contract.md, sky/sea.rs; src/sky/solve/, arch.rs"),
        ["contract.md", "sky/sea.rs", "src/sky/solve", "arch.rs"]
    );
    assert_eq!(outside("// Number 35: see ../shared").count(), 2);
    assert_eq!(outside("// Number of frames").count(), 0);
}
