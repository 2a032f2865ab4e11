//! The log's set-up: for a person at a terminal, for the journal, or as JSON lines.
//!
//! In: where the log goes, and `RUST_LOG`. Out: one line per event on the error stream. A
//! value may quote a file name, so control characters are made visible before they are
//! written: no event can become two lines or move a terminal's cursor.

use std::fmt::{self, Write};
use std::io::IsTerminal;

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::{FormatEvent, FormatFields, Writer};
use tracing_subscriber::fmt::{FmtContext, FormattedFields, MakeWriter};
use tracing_subscriber::registry::LookupSpan;

use crate::record::one_line;

/// How the lines look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    /// Local time, level, message, fields; colours on a terminal.
    Terminal { colours: bool },
    /// As sd-daemon(3) asks: a priority in angle brackets, no time (the journal has its own).
    Journal,
    /// One object a line.
    Json,
}

/// What is logged where `RUST_LOG` does not say.
pub const DEFAULT_FILTER: &str = "weighbridge=info";

impl Style {
    /// What fits this process's error stream.
    pub fn detect() -> Self {
        let journal = std::env::var("JOURNAL_STREAM").ok();
        if journal.is_some_and(|stream| is_error_stream(&stream)) {
            return Self::Journal;
        }
        match std::io::stderr().is_terminal() {
            true => Self::Terminal {
                colours: std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()),
            },
            false => Self::Json,
        }
    }
}

/// `JOURNAL_STREAM` is `device:inode` of the stream that goes to the journal; a child whose
/// output was redirected inherits the variable, but not the stream (systemd.exec(5)).
fn is_error_stream(journal: &str) -> bool {
    let Ok(stat) = rustix::fs::fstat(rustix::stdio::stderr()) else {
        return false;
    };
    journal == format!("{}:{}", stat.st_dev, stat.st_ino)
}

/// Starts the log for this process; later calls change nothing.
pub fn start(style: Style) {
    let asked = std::env::var("RUST_LOG").unwrap_or_default();
    let (filter, wrong) = filter(&asked);
    let log = subscriber(style, filter, std::io::stderr);
    if tracing::subscriber::set_global_default(log).is_ok()
        && let Some(wrong) = wrong
    {
        tracing::warn!(
            RUST_LOG = asked,
            error = wrong,
            "RUST_LOG is no filter: {DEFAULT_FILTER}"
        );
    }
}

/// The filter that is asked for; where it is none, the default one and why.
fn filter(asked: &str) -> (EnvFilter, Option<String>) {
    let default = || EnvFilter::new(DEFAULT_FILTER);
    if asked.trim().is_empty() {
        return (default(), None);
    }
    match EnvFilter::try_new(asked) {
        Ok(filter) => (filter, None),
        Err(error) => (default(), Some(error.to_string())),
    }
}

/// The log as it is written to any place.
pub fn subscriber<W>(
    style: Style,
    filter: EnvFilter,
    writer: W,
) -> Box<dyn Subscriber + Send + Sync>
where
    W: for<'w> MakeWriter<'w> + Send + Sync + 'static,
{
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(writer)
        .with_ansi(false);
    match style {
        Style::Json => Box::new(builder.json().flatten_event(true).finish()),
        Style::Terminal { .. } | Style::Journal => {
            Box::new(builder.event_format(Lines(style)).finish())
        }
    }
}

struct Lines(Style);

impl<S, N> FormatEvent<S, N> for Lines
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        context: &FmtContext<'_, S, N>,
        mut out: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let level = *event.metadata().level();
        match self.0 {
            Style::Terminal { colours } => {
                let time = jiff::ZonedDateTime::now().strftime("%H:%M:%S").to_string();
                let (on, off) = match (colours, colour(level)) {
                    (true, Some(code)) => (format!("\x1b[{code}m"), "\x1b[0m"),
                    _ => (String::new(), ""),
                };
                write!(out, "{time} {on}{:5}{off} ", word(level))?;
            }
            _ => write!(out, "<{}>", priority(level))?,
        }
        let mut said = String::new();
        context.format_fields(Writer::new(&mut said), event)?;
        for span in context.event_scope().into_iter().flatten() {
            let extensions = span.extensions();
            if let Some(fields) = extensions.get::<FormattedFields<N>>()
                && !fields.is_empty()
            {
                write!(said, " {fields}")?;
            }
        }
        writeln!(out, "{}", one_line(&said))
    }
}

fn word(level: Level) -> &'static str {
    match level {
        Level::ERROR => "error",
        Level::WARN => "warn",
        Level::INFO => "info",
        Level::DEBUG => "debug",
        Level::TRACE => "trace",
    }
}

/// Red and yellow of the terminal's own palette; the word says the same.
fn colour(level: Level) -> Option<&'static str> {
    match level {
        Level::ERROR => Some("1;31"),
        Level::WARN => Some("33"),
        Level::INFO => None,
        Level::DEBUG | Level::TRACE => Some("2"),
    }
}

/// syslog's numbers (sd-daemon(3), `SD_ERR` and so on).
fn priority(level: Level) -> u8 {
    match level {
        Level::ERROR => 3,
        Level::WARN => 4,
        Level::INFO => 6,
        Level::DEBUG | Level::TRACE => 7,
    }
}

#[cfg(test)]
mod tests {
    use std::io;
    use std::sync::{Arc, Mutex};

    use super::*;

    #[derive(Clone, Default)]
    struct Paper(Arc<Mutex<Vec<u8>>>);

    impl io::Write for Paper {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn written(style: Style, say: impl FnOnce()) -> String {
        let paper = Paper::default();
        let theirs = paper.clone();
        let log = subscriber(style, EnvFilter::new("info"), move || theirs.clone());
        tracing::subscriber::with_default(log, say);
        let bytes = paper.0.lock().unwrap().clone();
        String::from_utf8(bytes).unwrap()
    }

    fn nasty() {
        let span = tracing::info_span!("file", watch = %"exports\r\n<0>");
        let _in = span.enter();
        tracing::warn!(file = %"a\n<0>b\u{1b}[2J\u{202e}.wav", "stopped");
        tracing::debug!("not shown");
    }

    #[test]
    fn no_file_name_makes_a_line_of_its_own_in_the_journal() {
        let log = written(Style::Journal, nasty);
        assert_eq!(log.lines().count(), 1, "{log}");
        assert!(log.starts_with("<4>stopped"), "{log}");
        assert!(log.contains(r"file=a\x0a<0>b"), "{log}");
        assert!(log.contains("watch=exports"), "{log}");
    }

    #[test]
    fn a_terminal_gets_time_level_and_no_foreign_escapes() {
        let log = written(Style::Terminal { colours: false }, nasty);
        assert_eq!(log.lines().count(), 1, "{log}");
        assert!(
            !log.contains('\u{1b}') && !log.contains('\u{202e}'),
            "{log}"
        );
        let (time, rest) = log.split_at(8);
        assert!(time.chars().filter(|c| *c == ':').count() == 2, "{log}");
        assert!(rest.starts_with(" warn  stopped"), "{log}");
        let log = written(Style::Terminal { colours: true }, nasty);
        assert_eq!(
            log.matches('\u{1b}').count(),
            2,
            "the level's colour alone: {log}"
        );
    }

    #[test]
    fn json_lines_are_json() {
        let log = written(Style::Json, nasty);
        assert_eq!(log.lines().count(), 1, "{log}");
        let line: serde_json::Value = serde_json::from_str(&log).unwrap();
        assert_eq!(line["level"], "WARN");
        assert_eq!(line["message"], "stopped");
        assert!(line["file"].as_str().unwrap().starts_with("a\n<0>b"));
    }

    #[test]
    fn a_wrong_filter_is_told_and_the_default_holds() {
        assert!(filter("weighbridge=loud,=").1.is_some());
        assert_eq!(filter("").0.to_string(), DEFAULT_FILTER);
        assert!(filter("debug").1.is_none());
    }

    #[test]
    fn the_journals_stream_is_known_by_device_and_inode() {
        let stat = rustix::fs::fstat(rustix::stdio::stderr()).unwrap();
        assert!(is_error_stream(&format!("{}:{}", stat.st_dev, stat.st_ino)));
        assert!(!is_error_stream(&format!(
            "{}:{}",
            stat.st_dev,
            stat.st_ino + 1
        )));
        assert!(!is_error_stream("nonsense"));
    }
}
