//! What is read and checked before anything runs.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::time::Duration;

use anyhow::Context;

use crate::config::{self, Config, RecordPlace};
use crate::judge;
use crate::profile::ProfileSet;
use crate::render::binaural::HeadSet;

/// A configuration that holds together, with its profiles.
pub struct Loaded {
    pub config: Config,
    pub profiles: ProfileSet,
    /// Whose ears binaural renders are made for.
    pub head: Option<Arc<HeadSet>>,
}

/// Reads the configuration and the profiles beside it, and checks both.
///
/// Errors: one message with file, line, what was found and what would be right.
pub fn load(path: &Path) -> anyhow::Result<Loaded> {
    // Profiles are looked for beside the configuration, wherever the daemon was started.
    let path = std::path::absolute(path)?;
    let folder = config::profiles_folder(&path);
    let profiles = judge::load_profiles(Some(&folder)).map_err(|e| anyhow::anyhow!("{e}"))?;
    let config = Config::read(&path, &profiles.names()).map_err(|e| anyhow::anyhow!("{e}"))?;
    if let Some(clash) = real_clash(&config) {
        anyhow::bail!("{}: {clash}", path.display());
    }
    let head = match &config.render.head {
        Some(path) => {
            let head = HeadSet::open(path).with_context(|| {
                format!(
                    "the head-related responses {} cannot be used",
                    path.display()
                )
            })?;
            Some(Arc::new(head))
        }
        None => None,
    };
    Ok(Loaded {
        config,
        profiles,
        head,
    })
}

/// Folders that are apart by name and yet one on the disk (a symbolic link, a second mount of
/// the same path): a loop that the configuration's text can not show.
fn real_clash(config: &Config) -> Option<String> {
    let mut folders: Vec<(String, PathBuf, bool)> = Vec::new();
    for watch in &config.watches {
        folders.push((
            format!("watch {:?}", watch.name),
            watch.folder.clone(),
            true,
        ));
        let others = [
            ("quarantine", &watch.quarantine),
            ("release", &watch.release),
        ];
        for (what, folder) in others {
            if let Some(folder) = folder {
                let name = format!("{what} of watch {:?}", watch.name);
                folders.push((name, folder.clone(), false));
            }
        }
        if let RecordPlace::Folder(folder) = &watch.record {
            folders.push((
                format!("record of watch {:?}", watch.name),
                folder.clone(),
                false,
            ));
        }
    }
    let real = real_paths(folders.iter().map(|(_, path, _)| path.clone()).collect());
    for (index, (name, path, is_watch)) in folders.iter().enumerate() {
        if !is_watch {
            continue;
        }
        for (other, (other_name, other_path, _)) in folders.iter().enumerate() {
            let (Some(Some(here)), Some(Some(there))) = (real.get(index), real.get(other)) else {
                continue;
            };
            if other != index && (there.starts_with(here)) {
                return Some(format!(
                    "the folder of {other_name} ({}) is in truth {}, inside the folder of {name} \
                     ({}): files would go round in a loop; give it a folder of its own",
                    other_path.display(),
                    there.display(),
                    path.display()
                ));
            }
        }
    }
    None
}

/// `None` for what is not there. A dead share may hang, so this waits for a few seconds only;
/// what was not answered by then is left unchecked.
fn real_paths(paths: Vec<PathBuf>) -> Vec<Option<PathBuf>> {
    let (answer, answers) = mpsc::channel();
    let asked = std::thread::Builder::new()
        .name("real paths".into())
        .spawn(move || {
            let _ = answer.send(
                paths
                    .iter()
                    .map(|path| fs::canonicalize(path).ok())
                    .collect(),
            );
        });
    match asked {
        Ok(_) => answers
            .recv_timeout(Duration::from_secs(5))
            .unwrap_or_default(),
        Err(_) => Vec::new(),
    }
}
