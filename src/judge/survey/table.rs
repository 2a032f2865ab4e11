//! The checks that are read on the survey. Their names end in the names of the faults.

use super::super::catalogue::Check;
use crate::profile::{Severity, Takes};
use Severity::{Advise, Note, Stop};
use Takes::{Fault, Number};

const PRACTICE: &str = "common practice, no source";

struct Row {
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    unit: &'static str,
    source: &'static str,
    severity: Severity,
    takes: Takes,
    cannot_see: &'static str,
}

const fn check(row: Row) -> Check {
    Check {
        id: row.id,
        title: row.title,
        definition: row.definition,
        unit: row.unit,
        source: row.source,
        severity: row.severity,
        cannot_see: row.cannot_see,
        takes: row.takes,
        always: false,
        on_renders: false,
    }
}

pub const SURVEY: &[Check] = &[
    check(Row {
        id: "peaks.float_over_0dbfs",
        title: "passage over full scale",
        definition: "Float samples beyond full scale, joined into passages. They clip wherever the file becomes integers.",
        unit: "dBFS",
        source: "IEEE 754 floats hold them; common practice, no source",
        severity: Advise,
        takes: Fault,
        cannot_see: "Whether the next step turns them down first.",
    }),
];
