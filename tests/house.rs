//! The house holds itself to its plan: a room uses only rooms above it, nothing but custody
//! moves or removes files, and every file says at its top what it owns.
//!
//! In: the sources, as text. What lies under `#[cfg(test)]` is left out, since a test may build
//! what it needs from anywhere.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Uses that go against the order in src/lib.rs, each with its reason.
const ALLOWED_UPWARDS: [(&str, &str, &str); 1] = [(
    "cli",
    "demo",
    "the command line starts the demo, as it starts the daemon",
)];

/// Calls that move, copy, link, remove or change files in place.
const DEEDS: [&str; 16] = [
    "fs::rename(",
    "fs::copy(",
    "fs::hard_link(",
    "fs::remove_file(",
    "fs::remove_dir(",
    "fs::remove_dir_all(",
    "fs::symlink(",
    "renameat(",
    "renameat_with(",
    "linkat(",
    "unlinkat(",
    "unlink(",
    "fs::set_permissions(",
    "set_len(",
    "set_times(",
    "set_modified(",
];

/// Calls that make files or write into them.
const WRITES: [&str; 6] = [
    "fs::write(",
    "File::create(",
    "File::create_new(",
    ".write(true)",
    ".append(true)",
    "fs::create_dir",
];

/// Who but custody may do which of them, and to what.
const MAY_DO: [(&str, &str, &str); 1] = [(
    "src/ledger/",
    "set_len(",
    "its own lock, which holds its process's number",
)];
const MAY_WRITE: [(&str, &str); 4] = [
    ("src/ledger/", "its own state folder"),
    (
        "src/cli/render.rs",
        "the render that a person asked for, under a name that no file has yet",
    ),
    (
        "src/cli/trial/proposal.rs",
        "the profile that a person asked for, under a name that no file has yet",
    ),
    ("src/demo/", "the demo's own deliveries and configuration"),
];

/// One source file: its path below the project, its room, its text without tests and comments.
struct Source {
    path: String,
    room: String,
    code: String,
}

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn files_below(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_below(&path, out);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            out.push(path);
        }
    }
}

fn all_files() -> Vec<PathBuf> {
    let mut files = Vec::new();
    files_below(&project().join("src"), &mut files);
    files.sort();
    assert!(files.len() > 20, "the sources were not found: {files:?}");
    files
}

/// The files of modules that are declared under `#[cfg(test)]` (`tests.rs`, `tests/...`).
fn test_modules(files: &[PathBuf]) -> Vec<PathBuf> {
    let mut out = Vec::new();
    for file in files {
        let text = fs::read_to_string(file).unwrap();
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        for pair in lines.windows(2).filter(|pair| pair[0] == "#[cfg(test)]") {
            let Some(name) = pair[1]
                .strip_suffix(';')
                .and_then(|line| line.split("mod ").nth(1))
            else {
                continue;
            };
            let folder = match file.file_stem().unwrap().to_str().unwrap() {
                "mod" | "lib" | "main" => file.parent().unwrap().to_owned(),
                _ => file.with_extension(""),
            };
            out.push(folder.join(name).with_extension("rs"));
            out.push(folder.join(name));
        }
    }
    out
}

/// The text up to its inline test module (which stands last), without comment lines.
fn without_tests(text: &str) -> String {
    let mut out = String::new();
    let mut lines = text.lines().peekable();
    while let Some(line) = lines.next() {
        let opens_tests = line.trim() == "#[cfg(test)]"
            && lines
                .peek()
                .is_some_and(|next| next.contains("mod ") && next.ends_with('{'));
        if opens_tests {
            break;
        }
        if !line.trim_start().starts_with("//") {
            out.push_str(line);
            out.push('\n');
        }
    }
    out
}

fn sources() -> Vec<Source> {
    let files = all_files();
    let tests = test_modules(&files);
    let mut out = Vec::new();
    for file in files {
        if tests.iter().any(|test| file.starts_with(test)) {
            continue;
        }
        let below = file.strip_prefix(project()).unwrap();
        let parts: Vec<&str> = below.iter().map(|part| part.to_str().unwrap()).collect();
        out.push(Source {
            path: parts.join("/"),
            room: parts[1].trim_end_matches(".rs").to_owned(),
            code: without_tests(&fs::read_to_string(&file).unwrap()),
        });
    }
    out
}

/// The rooms in the order of src/lib.rs.
fn order() -> BTreeMap<String, usize> {
    let lib = fs::read_to_string(project().join("src/lib.rs")).unwrap();
    lib.lines()
        .filter_map(|line| {
            let line = line.strip_prefix("pub ").unwrap_or(line);
            line.strip_prefix("mod ")?.strip_suffix(';')
        })
        .enumerate()
        .map(|(place, room)| (room.to_owned(), place))
        .collect()
}

/// Every name that directly follows `crate::`, in `crate::{a, b::c}` too.
fn crate_names(code: &str) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for after in code.split("crate::").skip(1) {
        match after.strip_prefix('{') {
            None => {
                names.insert(leading_name(after));
            }
            Some(list) => {
                let mut depth = 0;
                let mut start = true;
                for (at, c) in list.char_indices() {
                    match c {
                        '}' if depth == 0 => break,
                        '{' => depth += 1,
                        '}' => depth -= 1,
                        ',' if depth == 0 => start = true,
                        c if start && !c.is_whitespace() => {
                            names.insert(leading_name(&list[at..]));
                            start = false;
                        }
                        _ => {}
                    }
                }
            }
        }
    }
    names.remove("");
    names
}

fn leading_name(text: &str) -> String {
    text.chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

#[test]
fn a_room_uses_only_rooms_above_it() {
    let order = order();
    let mut seen_any = false;
    let mut against = Vec::new();
    for source in sources() {
        let Some(own) = order.get(&source.room) else {
            assert!(
                matches!(source.room.as_str(), "lib" | "main"),
                "{} belongs to no room of src/lib.rs",
                source.path
            );
            continue;
        };
        for used in crate_names(&source.code) {
            let Some(place) = order.get(&used) else {
                against.push(format!("{}: crate::{used} is no room", source.path));
                continue;
            };
            seen_any = true;
            let allowed = ALLOWED_UPWARDS
                .iter()
                .any(|(from, to, _)| *from == source.room && *to == used);
            if place > own && !allowed {
                against.push(format!(
                    "{}: {} stands below {}",
                    source.path, used, source.room
                ));
            }
        }
    }
    assert!(seen_any, "no use of a room was found: the reading is wrong");
    assert!(
        against.is_empty(),
        "against the order of src/lib.rs:\n{}",
        against.join("\n")
    );
}

#[test]
fn no_two_rooms_use_each_other() {
    let order = order();
    let mut uses: BTreeSet<(String, String)> = BTreeSet::new();
    for source in sources() {
        for used in crate_names(&source.code) {
            if used != source.room && order.contains_key(&used) {
                uses.insert((source.room.clone(), used));
            }
        }
    }
    let mutual: Vec<_> = uses
        .iter()
        .filter(|(a, b)| a < b && uses.contains(&(b.clone(), a.clone())))
        .collect();
    assert!(mutual.is_empty(), "{mutual:?}");
}

#[test]
fn nothing_but_custody_moves_copies_links_or_removes_files() {
    let mut found = Vec::new();
    for source in sources().iter().filter(|source| source.room != "custody") {
        for deed in DEEDS.iter().filter(|deed| source.code.contains(*deed)) {
            let may = MAY_DO
                .iter()
                .any(|(path, what, _)| source.path.starts_with(path) && what == deed);
            if !may {
                found.push(format!("{}: {deed}", source.path));
            }
        }
    }
    assert!(
        found.is_empty(),
        "deeds outside custody:\n{}",
        found.join("\n")
    );
}

#[test]
fn files_are_made_only_by_custody_the_ledger_the_demo_and_where_a_person_asks() {
    let mut found = Vec::new();
    for source in sources().iter().filter(|source| source.room != "custody") {
        let may = MAY_WRITE
            .iter()
            .any(|(path, _)| source.path.starts_with(path));
        for write in WRITES.iter().filter(|write| source.code.contains(*write)) {
            if !may {
                found.push(format!("{}: {write}", source.path));
            }
        }
    }
    assert!(found.is_empty(), "writing to disk:\n{}", found.join("\n"));
}

#[test]
fn sql_is_spoken_only_in_the_ledger() {
    for source in sources() {
        if source.room != "ledger" {
            assert!(!source.code.contains("rusqlite"), "{}", source.path);
        }
    }
}

#[test]
fn unsafe_code_stands_in_one_file() {
    let lib = fs::read_to_string(project().join("src/lib.rs")).unwrap();
    assert!(lib.contains("#![deny(unsafe_code)]"));
    let mut found = Vec::new();
    for file in all_files() {
        let text = fs::read_to_string(&file).unwrap();
        let code = text.lines().filter(|l| !l.trim_start().starts_with("//"));
        let words = code.flat_map(|l| l.split(|c: char| !(c.is_alphanumeric() || c == '_')));
        if words.into_iter().any(|word| word == "unsafe") {
            found.push(file.strip_prefix(project()).unwrap().to_owned());
        }
    }
    assert_eq!(found, [Path::new("src/vector.rs")]);
}

#[test]
fn every_file_says_at_its_top_what_it_owns() {
    let mut silent = Vec::new();
    for file in all_files() {
        let text = fs::read_to_string(&file).unwrap();
        let first = text.lines().next().unwrap_or("");
        let says = first.strip_prefix("//! ").unwrap_or("");
        if says.len() < 10 || says.contains("Under construction") {
            silent.push(format!("{} begins with {first:?}", file.display()));
        }
    }
    assert!(
        silent.is_empty(),
        "without a header:\n{}",
        silent.join("\n")
    );
}

#[test]
fn no_file_names_a_folder_of_the_machine_it_was_written_on() {
    let mut files = all_files();
    for folder in ["tests", "benches"] {
        files_below(&project().join(folder), &mut files);
    }
    // Put together here, so that this file does not find itself.
    let mark = format!("/{}/", "work");
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&mark), "{}", file.display());
    }
}

#[test]
fn names_after_crate_are_read_from_every_form_of_use() {
    let code = "use crate::judge::{Finding, Verdict};\nuse crate::{units::{Lu, Lufs}, layout, \
                record::Sidecar};\nlet x = crate::weigh::weigh();";
    let names: Vec<String> = crate_names(code).into_iter().collect();
    assert_eq!(names, ["judge", "layout", "record", "units", "weigh"]);
}

#[test]
fn what_stands_in_tests_and_comments_is_left_out() {
    let text = "//! fs::rename( is not for us\nfn a() {}\n#[cfg(test)]\nmod tests {\n    use \
                crate::custody;\n}\n";
    assert_eq!(without_tests(text), "fn a() {}\n");
}
