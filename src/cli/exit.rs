//! The exit status, in one place.

use std::process::ExitCode;

use crate::judge::Verdict;

/// How a command ended; the worst of several is their maximum (2 outranks 1).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// 0: all clear or advise, all the same.
    #[default]
    Fine,
    /// 1: some stopped, some differ.
    Stopped,
    /// 2: some could not be read, or the command could not do its work.
    Unread,
}

impl Exit {
    pub fn status(self) -> u8 {
        match self {
            Self::Fine => 0,
            Self::Stopped => 1,
            Self::Unread => 2,
        }
    }
}

impl From<Verdict> for Exit {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Clear | Verdict::Advise => Self::Fine,
            Verdict::Stop => Self::Stopped,
            Verdict::Unread => Self::Unread,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.status())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_could_not_be_read_outranks_one_that_was_stopped() {
        let worst = |verdicts: &[Verdict]| verdicts.iter().map(|&v| Exit::from(v)).max();
        assert_eq!(worst(&[Verdict::Clear, Verdict::Advise]), Some(Exit::Fine));
        assert_eq!(
            worst(&[Verdict::Unread, Verdict::Stop, Verdict::Clear]),
            Some(Exit::Unread)
        );
        assert_eq!(worst(&[Verdict::Stop, Verdict::Clear]), Some(Exit::Stopped));
        assert_eq!(
            [Exit::Fine, Exit::Stopped, Exit::Unread].map(Exit::status),
            [0, 1, 2]
        );
    }
}
