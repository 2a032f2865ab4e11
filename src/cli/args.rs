//! The arguments: what can be typed after `weighbridge`.
//!
//! In: the command line. Out: an [`Args`]; mistakes are answered by clap with exit status 2.
//! Knows the words, not what they do.

use std::path::PathBuf;

use clap::{Parser, Subcommand};

use crate::layout::{self, Label};
use crate::render::Choice;

/// The environment variable that names the configuration where no option does.
pub const CONFIG_VARIABLE: &str = "WEIGHBRIDGE_CONFIG";

#[derive(Debug, Parser)]
#[command(name = "weighbridge", version, about, propagate_version = true)]
pub struct Args {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Watch the folders of a configuration until told to stop
    Run {
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
    },
    /// Measure and judge files now; changes nothing on disk
    ///
    /// Exit status: 0 when all are clear or advised, 1 when some are stopped, 2 when some could
    /// not be read or nothing was found.
    Weigh(Weigh),
    /// Weigh a folder of masters that were approved and sent, and say how a profile fits them
    ///
    /// Nothing is changed on disk; only --propose writes a file, and never over one. Exit status:
    /// 0 when all are clear or advised, 1 when some would be stopped, 2 when some could not be
    /// read or nothing was found.
    Trial(Trial),
    /// Write what an immersive master sounds like on a layout as a file
    ///
    /// Exit status: 0 when it is written, 2 when not.
    Render(Render),
    /// Make demo deliveries, run the real daemon on them, show what it did
    Demo {
        /// Where to work; a new temporary folder otherwise
        dir: Option<PathBuf>,
    },
    /// What is under way
    Status {
        #[command(flatten)]
        ledger: Ledger,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// What was weighed, newest first
    History {
        #[command(flatten)]
        ledger: Ledger,
        /// How many files
        #[arg(long, value_name = "COUNT", default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..))]
        last: u32,
    },
    /// One file's record
    Show {
        /// Its name, or its path
        file: PathBuf,
        #[command(flatten)]
        ledger: Ledger,
    },
    /// Read every file beside its sidecar again and compare the digests
    ///
    /// Exit status: 0 when all are the same, 1 when some differ or are missing, 2 when some
    /// could not be read or nothing was found.
    Verify { dir: PathBuf },
    /// Weigh the standards' test signals in memory and print a calibration sheet
    Selfcheck,
    /// The profiles, or one with its numbers and their sources
    Profiles {
        /// Its name, or its path
        name: Option<String>,
        /// Also the profiles beside this configuration (else that of WEIGHBRIDGE_CONFIG)
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
    },
    /// The catalogue of checks, or one of them in full
    Checks { id: Option<String> },
    /// Look at a configuration
    #[command(subcommand)]
    Config(ConfigCommand),
}

#[derive(Debug, Subcommand)]
pub enum ConfigCommand {
    /// Explain a configuration, or say what is wrong with it
    Check { file: PathBuf },
}

#[derive(Debug, clap::Args)]
pub struct Weigh {
    /// Files, or folders to search for audio
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// Judge by this profile, whatever the configuration says: a name, or the path of a profile
    /// (it ends in .toml or has a slash)
    #[arg(long, value_name = "NAME-or-FILE")]
    pub profile: Option<String>,
    /// Judge as the watches and routes of this configuration say (else that of
    /// WEIGHBRIDGE_CONFIG)
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Where the channels play, for files that do not say: a layout (4+7+0, 7.1.4) or labels
    /// (M+030,M-030,LFE1)
    #[arg(long, value_name = "LAYOUT-or-LABELS", value_parser = channels)]
    pub channels: Option<Channels>,
    /// Also render object-based masters to this layout (0+2+0, 4+7+0, ..., binaural); may be
    /// given several times
    #[arg(long = "render", value_name = "LAYOUT", value_parser = render)]
    pub renders: Vec<String>,
    /// Whose ears a binaural render is made for: a set of head-related responses (AES69, SOFA)
    #[arg(long, value_name = "FILE.sofa")]
    pub head: Option<PathBuf>,
    #[command(flatten)]
    pub choice: Heard,
    /// The mix that the master came from: same parts, movement, timing, level over time; without
    /// it the one that a route's mix rule names
    #[arg(long, value_name = "MIX")]
    pub against: Option<PathBuf>,
    /// Print one sidecar a line instead of text
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, clap::Args)]
pub struct Trial {
    /// The folder, searched to its bottom
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Judge by this profile, whatever the configuration says: a name, or the path of a profile
    /// (it ends in .toml or has a slash)
    #[arg(long, value_name = "NAME-or-FILE")]
    pub profile: Option<String>,
    /// Judge as the watches and routes of this configuration say (else that of
    /// WEIGHBRIDGE_CONFIG)
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Print one JSON object instead of text
    #[arg(long)]
    pub json: bool,
    /// Write the proposed limits and the yardsticks as a profile; the file must not exist
    #[arg(long, value_name = "FILE.toml")]
    pub propose: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
pub struct Render {
    /// An object-based master (BW64, RF64 or WAVE with axml)
    #[arg(value_name = "MASTER")]
    pub master: PathBuf,
    /// The layout to render to: 0+5+0, 0+2+0, 4+7+0, ..., binaural
    #[arg(long, value_name = "LAYOUT", value_parser = render)]
    pub layout: String,
    /// The file to write, 32-bit float; it must not exist
    #[arg(long, value_name = "FILE.wav")]
    pub out: PathBuf,
    /// Whose ears a binaural render is made for: a set of head-related responses (AES69, SOFA)
    #[arg(long, value_name = "FILE.sofa")]
    pub head: Option<PathBuf>,
    #[command(flatten)]
    pub choice: Heard,
}

/// What is heard of a master that offers more than one thing.
#[derive(Debug, Default, clap::Args)]
pub struct Heard {
    /// The programme, by its audioProgrammeID; otherwise the one with the lowest id
    #[arg(long, value_name = "ID")]
    pub programme: Option<String>,
    /// An object of a complementary group, by its audioObjectID, in place of the group's first;
    /// may be given several times
    #[arg(long, value_name = "ID")]
    pub complementary: Vec<String>,
    /// Leave out what is less important than this (0 to 10)
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(i64).range(0..=10))]
    pub importance: Option<i64>,
}

impl Heard {
    pub fn choice(&self) -> Choice {
        Choice {
            programme: self.programme.clone(),
            complementary: self.complementary.clone(),
            importance: self.importance,
        }
    }
}

fn render(text: &str) -> Result<String, String> {
    let named = layout::by_name(text).map(|layout| layout.name);
    match named.filter(|name| layout::RENDERABLE.contains(name)) {
        Some(name) => Ok(name.to_owned()),
        None if text == "binaural" => Ok(text.to_owned()),
        None => Err(format!(
            "no layout that can be rendered to; these can: {}, binaural",
            layout::RENDERABLE.join(", ")
        )),
    }
}

/// Labels of one `--channels`; a type of its own, since clap takes a bare list for several
/// arguments.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Channels(pub Vec<Label>);

fn channels(text: &str) -> Result<Channels, layout::NotChannels> {
    layout::parse_channels(text).map(Channels)
}

#[derive(Debug, clap::Args)]
pub struct Ledger {
    /// The daemon's configuration, which says where the ledger lies (else that of
    /// WEIGHBRIDGE_CONFIG)
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
}

/// The configuration that was typed, else the one that the environment names.
pub fn config_path(typed: Option<PathBuf>) -> Option<PathBuf> {
    typed.or_else(|| {
        std::env::var_os(CONFIG_VARIABLE)
            .filter(|name| !name.is_empty())
            .map(PathBuf::from)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;
    use clap::error::ErrorKind;

    #[test]
    fn the_definition_holds() {
        Args::command().debug_assert();
    }

    #[test]
    fn channels_are_a_layout_or_labels_and_mistakes_are_named() {
        let parse = |channels| {
            Args::try_parse_from(["weighbridge", "weigh", "a.wav", "--channels", channels])
        };
        let Command::Weigh(weigh) = parse("7.1.4").unwrap().command else {
            panic!("weigh was typed");
        };
        assert_eq!(weigh.channels.unwrap().0.len(), 12);
        let error = parse("left,right").unwrap_err();
        assert_eq!(error.exit_code(), 2);
        assert!(
            error
                .to_string()
                .contains("\"left\" is no loudspeaker label"),
            "{error}"
        );
    }

    #[test]
    fn a_mistake_in_usage_ends_with_2_and_help_with_0() {
        let parse = |line: &[&str]| Args::try_parse_from(line).unwrap_err();
        assert_eq!(parse(&["weighbridge", "weigh"]).exit_code(), 2);
        assert_eq!(parse(&["weighbridge", "ponder"]).exit_code(), 2);
        let help = parse(&["weighbridge", "--help"]);
        assert_eq!((help.kind(), help.exit_code()), (ErrorKind::DisplayHelp, 0));
    }

    #[test]
    fn names_that_begin_with_a_dash_can_be_given_after_two_dashes() {
        let args = Args::try_parse_from(["weighbridge", "weigh", "--", "-rf.wav"]).unwrap();
        let Command::Weigh(weigh) = args.command else {
            panic!("weigh was typed");
        };
        assert_eq!(weigh.paths, [PathBuf::from("-rf.wav")]);
    }
}
