//! Which file needs which: `use` and paths, followed through re-exports to the file that defines the name.

use std::collections::{BTreeMap, BTreeSet};

use super::source::{Part, Source};

type Module = Vec<String>;

/// One file's need of another.
pub struct Arrow {
    pub from: Module,
    pub to: Module,
    /// File and line.
    pub place: String,
    pub name: String,
}

/// A name or a module that a path leads to.
#[derive(Debug, Clone, PartialEq)]
struct Target {
    module: Module,
    name: Option<String>,
}

/// One name of a `use`.
#[derive(Debug, PartialEq)]
struct Import {
    path: Vec<String>,
    /// What the file calls it.
    called: String,
    line: usize,
    public: bool,
}

/// All needs of the files of one crate; programs of their own are no part of it.
pub fn arrows(sources: &[Source]) -> Vec<Arrow> {
    let sources = || sources.iter().filter(|s| !s.is_program());
    let modules: BTreeSet<&Module> = sources().map(|s| &s.module).collect();
    let imports: Vec<Vec<Import>> = sources().map(imports).collect();
    let mut names: BTreeMap<(&Module, &str), Target> = BTreeMap::new();
    for (source, imports) in sources().zip(&imports) {
        for import in imports {
            if let Some(target) = resolve(&modules, &source.module, &import.path) {
                names.insert((&source.module, &import.called), target);
            }
        }
    }
    let mut found = Vec::new();
    for (source, imports) in sources().zip(&imports) {
        let mut add = |target: Option<Target>, line: usize| {
            let Some(Target { module: to, name: Some(name) }) = target.map(|t| defined(&modules, &names, t)) else {
                return;
            };
            // What `lib.rs` names are modules.
            if to != source.module && !to.is_empty() {
                found.push(Arrow { from: source.module.clone(), to, place: format!("{}:{line}", source.path), name });
            }
        };
        let (paths, words) = paths_outside_imports(source);
        for import in imports {
            if !import.public || words.contains(&import.called) {
                add(names.get(&(&source.module, &import.called)).cloned(), import.line);
            }
        }
        for (path, line) in paths {
            // A module under the name that the file gave it.
            let target = match names.get(&(&source.module, &path[0])) {
                Some(Target { module, name: None }) => {
                    resolve(&modules, module, &[vec!["self".to_owned()], path[1..].to_vec()].concat())
                }
                Some(_) => None,
                None => resolve(&modules, &source.module, &path),
            };
            add(target, line);
        }
    }
    found
}

/// Follows re-exports to the file that has the name itself.
fn defined(modules: &BTreeSet<&Module>, names: &BTreeMap<(&Module, &str), Target>, mut target: Target) -> Target {
    for _ in 0..9 {
        let Some(next) = target.name.as_ref().and_then(|n| names.get(&(&target.module, n.as_str()))) else { break };
        target = next.clone();
    }
    debug_assert!(modules.contains(&target.module));
    target
}

/// Where a path leads from a module; `None` where it leaves the crate.
fn resolve(modules: &BTreeSet<&Module>, from: &Module, path: &[String]) -> Option<Target> {
    let (mut at, mut rest) = (from.clone(), path);
    match path.first()?.as_str() {
        "crate" => (at, rest) = (vec![], &path[1..]),
        "self" => rest = &path[1..],
        "super" => {
            while let Some(("super", after)) = rest.split_first().map(|(a, b)| (a.as_str(), b)) {
                at.pop();
                rest = after;
            }
        }
        child => {
            at.push(child.to_owned());
            rest = &path[1..];
            modules.contains(&at).then_some(())?;
        }
    }
    while let Some((next, after)) = rest.split_first() {
        let inner = [at.clone(), vec![next.clone()]].concat();
        if !modules.contains(&inner) {
            break;
        }
        (at, rest) = (inner, after);
    }
    Some(Target { module: at, name: rest.first().cloned() })
}

/// All names of the `use` items of a file, of those in functions too.
fn imports(source: &Source) -> Vec<Import> {
    struct Uses(Vec<Import>);
    impl<'a> syn::visit::Visit<'a> for Uses {
        fn visit_item_use(&mut self, item: &'a syn::ItemUse) {
            let public = !matches!(item.vis, syn::Visibility::Inherited);
            expand(&item.tree, &[], public, &mut self.0);
        }
    }
    let mut uses = Uses(Vec::new());
    syn::visit::Visit::visit_file(&mut uses, &source.code);
    uses.0
}

fn expand(tree: &syn::UseTree, before: &[String], public: bool, found: &mut Vec<Import>) {
    let mut add = |name: &str, called: &str, line: usize| {
        let mut path = [before, &[name.to_owned()]].concat();
        let mut called = called.to_owned();
        if name == "self" && path.len() > 1 {
            path.pop();
            if called == "self" {
                called.clone_from(&path[path.len() - 1]);
            }
        }
        found.push(Import { path, called, line, public });
    };
    match tree {
        syn::UseTree::Path(p) => expand(&p.tree, &[before, &[p.ident.to_string()]].concat(), public, found),
        syn::UseTree::Name(n) => add(&n.ident.to_string(), &n.ident.to_string(), n.ident.span().start().line),
        syn::UseTree::Rename(r) => add(&r.ident.to_string(), &r.rename.to_string(), r.ident.span().start().line),
        syn::UseTree::Glob(g) => add("*", "*", g.star_token.spans[0].start().line),
        syn::UseTree::Group(g) => g.items.iter().for_each(|t| expand(t, before, public, found)),
    }
}

/// A path and its line.
type Path = (Vec<String>, usize);

/// Paths of two names or more, and all words, that stand outside `use` items.
fn paths_outside_imports(source: &Source) -> (Vec<Path>, BTreeSet<String>) {
    let (parts, lines) = (&source.row.parts, &source.row.lines);
    let (mut paths, mut words, mut i) = (Vec::new(), BTreeSet::new(), 0);
    let colons = |i: usize| matches!(parts.get(i..i + 2), Some([Part::Sign(':'), Part::Sign(':')]));
    while i < parts.len() {
        match &parts[i] {
            // `use<'a>` is a bound.
            Part::Word(w) if w == "use" && parts.get(i + 1) != Some(&Part::Sign('<')) => {
                while i < parts.len() && parts[i] != Part::Sign(';') {
                    i += 1;
                }
            }
            Part::Word(first) => {
                let (mut path, line) = (vec![first.clone()], lines[i]);
                while let (true, Some(Part::Word(next))) = (colons(i + 1), parts.get(i + 3)) {
                    path.push(next.clone());
                    i += 3;
                }
                words.extend(path.first().cloned());
                if path.len() > 1 {
                    paths.push((path, line));
                }
                i += 1;
            }
            _ => i += 1,
        }
    }
    (paths, words)
}

type Needs<'a> = BTreeMap<&'a Module, BTreeSet<&'a Module>>;

/// Sets of two files or more, each of which needs each other one, if only through a third.
pub fn circles(arrows: &[Arrow]) -> Vec<BTreeSet<&Module>> {
    let mut needs = Needs::new();
    for arrow in arrows {
        needs.entry(&arrow.from).or_default().insert(&arrow.to);
    }
    let reach: Needs = needs.keys().map(|m| (*m, reached(&needs, m))).collect();
    let both_ways =
        |m: &Module, other: &Module| reach[m].contains(other) && reach.get(other).is_some_and(|r| r.contains(m));
    let circle = |m: &&_| reach[m].iter().copied().filter(|other| both_ways(m, other)).collect();
    let all: BTreeSet<BTreeSet<&Module>> = reach.keys().map(circle).filter(|c: &BTreeSet<_>| c.len() > 1).collect();
    all.into_iter().collect()
}

/// All that a file needs, and that needs in turn.
fn reached<'a>(needs: &Needs<'a>, from: &'a Module) -> BTreeSet<&'a Module> {
    let mut seen = BTreeSet::new();
    let mut next: Vec<&Module> = vec![from];
    while let Some(at) = next.pop() {
        next.extend(needs.get(at).into_iter().flatten().copied().filter(|to| seen.insert(*to)));
    }
    seen
}
