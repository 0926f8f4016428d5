//! The program's own code as these tests read it: tokens without tests and comments, functions, and comments alone.

use std::path::Path;

use proc_macro2::{Delimiter, Group, Span, TokenStream, TokenTree};
use syn::visit::{self, Visit};

/// A token that a sentence or an import may be made of.
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    Word(String),
    Sign(char),
    Open(Delimiter),
    Close(Delimiter),
    /// A string literal, by its value.
    Text(String),
    Other,
}

impl Part {
    pub fn text(&self) -> Option<&str> {
        if let Self::Text(text) = self { Some(text) } else { None }
    }
}

/// Tokens of a file in one row, each with its line.
#[derive(Default)]
pub struct Row {
    pub parts: Vec<Part>,
    pub lines: Vec<usize>,
}

impl Row {
    fn push(&mut self, part: Part, span: Span) {
        self.parts.push(part);
        self.lines.push(span.start().line);
    }
}

/// A source file without its tests.
pub struct Source {
    /// From the root of the project, with slashes.
    pub path: String,
    /// `["sky", "search"]` of `src/sky/search.rs`; empty of `src/lib.rs`.
    pub module: Vec<String>,
    pub row: Row,
    pub code: syn::File,
    /// Modules in files of their own that are tests.
    test_modules: Vec<String>,
}

impl Source {
    pub fn of(path: &str, text: &str) -> Self {
        let mut test_modules = Vec::new();
        let tokens: TokenStream = text.parse().unwrap_or_else(|e| panic!("{path}: {e}"));
        let tokens = without_tests(tokens, &mut test_modules);
        let mut row = Row::default();
        flatten(tokens.clone(), &mut row);
        let code = syn::parse2(tokens).unwrap_or_else(|e| panic!("{path}:{}: {e}", e.span().start().line));
        Self { path: path.to_owned(), module: module_of(path), row, code, test_modules }
    }

    /// The folder of `src` or the file right in it: `sky`, `units`.
    pub fn room(&self) -> &str {
        self.module.first().map_or("", String::as_str)
    }

    /// A program with a `main` of its own, which no module imports.
    pub fn is_program(&self) -> bool {
        ["src/main.rs", "src/build.rs"].contains(&&*self.path) || self.path.starts_with("src/bin/")
    }
}

fn module_of(path: &str) -> Vec<String> {
    let path = path.strip_prefix("src/").unwrap_or(path).trim_end_matches(".rs");
    let path = path.strip_suffix("/mod").unwrap_or(path);
    if path == "lib" { vec![] } else { path.split('/').map(str::to_owned).collect() }
}

/// All files of `src` that are no tests, by path.
pub fn sources() -> Vec<Source> {
    let mut all: Vec<Source> = texts("src").iter().map(|(path, text)| Source::of(path, text)).collect();
    let module = |s: &Source, name: &String| [s.module.clone(), vec![name.clone()]].concat();
    let tests: Vec<Vec<String>> =
        all.iter().flat_map(|s| s.test_modules.iter().map(move |name| module(s, name))).collect();
    all.retain(|s| !tests.iter().any(|t| s.module.starts_with(t)));
    all
}

/// Path from the root and text of each `.rs` file below a folder, sorted.
pub fn texts(folder: &str) -> Vec<(String, String)> {
    let rust = |path: &String| Path::new(path).extension().is_some_and(|e| e == "rs");
    let read = |path: String| (path.clone(), std::fs::read_to_string(root().join(path)).unwrap());
    files(folder).into_iter().filter(rust).map(read).collect()
}

/// Paths from the root of all files below a folder, sorted.
pub fn files(folder: &str) -> Vec<String> {
    let found = walkdir::WalkDir::new(root().join(folder)).sort_by_file_name().into_iter().map(Result::unwrap);
    let inside = |path: &Path| path.strip_prefix(root()).unwrap().to_string_lossy().replace('\\', "/");
    found.filter(|e| e.file_type().is_file()).map(|e| inside(e.path())).collect()
}

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Leaves out items under `#[cfg(test)]` and `#[test]`.
fn without_tests(tokens: TokenStream, test_modules: &mut Vec<String>) -> TokenStream {
    let mut kept: Vec<TokenTree> = Vec::new();
    let mut rest = tokens.into_iter().peekable();
    while let Some(token) = rest.next() {
        let for_tests = |t: &TokenTree| attribute(t).is_some_and(|a| a == "cfg(test)" || a == "test");
        if is(&token, '#') && rest.next_if(for_tests).is_some() {
            // Attributes above belong to the same item.
            while matches!(&kept[..], [.., sign, TokenTree::Group(_)] if is(sign, '#')) {
                kept.truncate(kept.len() - 2);
            }
            test_modules.extend(skip_item(&mut rest));
            continue;
        }
        kept.push(match token {
            TokenTree::Group(group) => {
                let mut inner = Group::new(group.delimiter(), without_tests(group.stream(), test_modules));
                inner.set_span(group.span());
                inner.into()
            }
            other => other,
        });
    }
    kept.into_iter().collect()
}

/// Text of an attribute behind its `#`.
fn attribute(token: &TokenTree) -> Option<String> {
    let TokenTree::Group(group) = token else { return None };
    (group.delimiter() == Delimiter::Bracket).then(|| group.stream().to_string().replace(' ', ""))
}

fn is(token: &TokenTree, sign: char) -> bool {
    matches!(token, TokenTree::Punct(p) if p.as_char() == sign)
}

/// Takes one item off; the name of a module in a file of its own.
fn skip_item(rest: &mut std::iter::Peekable<proc_macro2::token_stream::IntoIter>) -> Option<String> {
    let mut words: Vec<String> = Vec::new();
    while let Some(token) = rest.next() {
        match token {
            TokenTree::Punct(p) if p.as_char() == ';' => break,
            TokenTree::Group(g) if g.delimiter() == Delimiter::Brace && !words.iter().any(|w| w == "use") => {
                rest.next_if(|t| is(t, ';'));
                return None;
            }
            TokenTree::Ident(word) => words.push(word.to_string()),
            _ => {}
        }
    }
    let name = words.iter().skip_while(|w| *w != "mod").nth(1);
    name.cloned()
}

/// All tokens in one row, without comments and the texts of derived errors.
fn flatten(tokens: TokenStream, row: &mut Row) {
    let mut rest = tokens.into_iter().peekable();
    while let Some(token) = rest.next() {
        if is(&token, '#') {
            rest.next_if(|t| is(t, '!'));
            let words = |a: String| a.starts_with("doc=") || a.starts_with("error(");
            if rest.next_if(|t| attribute(t).is_some_and(words)).is_some() {
                continue;
            }
        }
        let span = token.span();
        match token {
            TokenTree::Group(group) => {
                row.push(Part::Open(group.delimiter()), group.span_open());
                flatten(group.stream(), row);
                row.push(Part::Close(group.delimiter()), group.span_close());
            }
            TokenTree::Ident(word) => row.push(Part::Word(word.to_string()), span),
            TokenTree::Punct(sign) => row.push(Part::Sign(sign.as_char()), span),
            TokenTree::Literal(literal) => match syn::Lit::new(literal) {
                syn::Lit::Str(text) => row.push(Part::Text(text.value()), span),
                _ => row.push(Part::Other, span),
            },
        }
    }
}

/// A function with its length and the number of its arguments, `self` among them.
#[derive(Debug, PartialEq)]
pub struct Function {
    pub name: String,
    pub line: usize,
    pub lines: usize,
    pub arguments: usize,
}

pub fn functions(code: &syn::File) -> Vec<Function> {
    let mut found = Functions(Vec::new());
    found.visit_file(code);
    found.0
}

struct Functions(Vec<Function>);

impl Functions {
    fn add(&mut self, signature: &syn::Signature, body: &syn::Block) {
        let line = signature.fn_token.span.start().line;
        let end = body.brace_token.span.close().end().line;
        let (name, arguments) = (signature.ident.to_string(), signature.inputs.len());
        self.0.push(Function { name, line, lines: end - line + 1, arguments });
    }
}

impl<'a> Visit<'a> for Functions {
    fn visit_item_fn(&mut self, f: &'a syn::ItemFn) {
        self.add(&f.sig, &f.block);
        visit::visit_item_fn(self, f);
    }

    fn visit_impl_item_fn(&mut self, f: &'a syn::ImplItemFn) {
        self.add(&f.sig, &f.block);
        visit::visit_impl_item_fn(self, f);
    }

    fn visit_trait_item_fn(&mut self, f: &'a syn::TraitItemFn) {
        if let Some(body) = &f.default {
            self.add(&f.sig, body);
        }
        visit::visit_trait_item_fn(self, f);
    }
}

/// Line and text of each comment; strings and characters that look like one are none.
pub fn comments(text: &str) -> Vec<(usize, String)> {
    let (mut found, mut line, mut rest) = (Vec::new(), 1, text);
    while let Some(first) = rest.chars().next() {
        let length = if rest.starts_with("//") {
            let end = rest.find('\n').unwrap_or(rest.len());
            found.push((line, rest[..end].to_owned()));
            end
        } else if rest.starts_with("/*") {
            let end = rest.find("*/").map_or(rest.len(), |e| e + 2);
            found.extend(rest[..end].lines().enumerate().map(|(i, l)| (line + i, l.to_owned())));
            end
        } else {
            literal_length(rest).unwrap_or(first.len_utf8())
        };
        line += rest[..length].matches('\n').count();
        rest = &rest[length..];
    }
    found
}

/// Length of the literal that a text begins with, if it is one that may hold a comment's sign.
fn literal_length(text: &str) -> Option<usize> {
    if let Some(raw) = text.strip_prefix('r') {
        let hashes = raw.len() - raw.trim_start_matches('#').len();
        if raw[hashes..].starts_with('"') {
            let close = format!("\"{}", "#".repeat(hashes));
            let start = 2 + hashes;
            return Some(text[start..].find(&close).map_or(text.len(), |e| start + e + close.len()));
        }
    }
    let quote = text.chars().next().filter(|c| ['"', '\''].contains(c))?;
    let mut escaped = false;
    for (i, c) in text.char_indices().skip(1) {
        // A lifetime: no quote follows its first letter.
        if quote == '\'' && i > 1 && !text[1..].starts_with('\\') && c != '\'' {
            return None;
        }
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            _ if c == quote => return Some(i + 1),
            _ => {}
        }
    }
    None
}
