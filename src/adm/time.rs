//! Times of the Audio Definition Model, kept exactly.
//!
//! A [`AdmTime`] is a fraction of a second as the file wrote it: `hh:mm:ss.zzzzz`
//! (decimal) or `hh:mm:ss.zzzzzSfffff` (samples over a rate), ITU-R BS.2076-2 clause
//! 5.13. It is packed into eight bytes because a long programme holds millions of them.
//! [`Instant`] is the wider fraction that sums of times need. Knows nothing of samples
//! of a particular file; rounding a time to samples is the reader's business.

use std::cmp::Ordering;
use std::fmt;
use std::num::NonZeroU64;

/// A non-negative time in seconds, exact, in eight bytes.
///
/// Layout: the low 20 bits plus one hold the denominator (0 to 9: that power of ten; above:
/// the denominator itself), the upper 44 the numerator. Decimal times reach 4.8 hours at
/// nine decimals and years at five; `parse` says so when a time does not fit.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct AdmTime(NonZeroU64);

/// Why a text is no time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotATime {
    #[error("{0:?} is no time: a time is hh:mm:ss.zzzzz or hh:mm:ss.zzzzzSfffff (BS.2076-2, 5.13)")]
    Shape(String),
    #[error("{0:?}: as many samples as the rate, or more, are a second")]
    Samples(String),
    #[error("{0:?} is longer or finer than is kept (nine decimals, about five hours)")]
    TooFine(String),
}

const DENOMINATOR_BITS: u32 = 20;
const DENOMINATOR_MASK: u64 = (1 << DENOMINATOR_BITS) - 1;
const LARGEST_NUMERATOR: u64 = (1 << 44) - 1;

impl AdmTime {
    pub const ZERO: Self = Self(NonZeroU64::MIN);

    /// `numerator / denominator` seconds; `None` where it does not fit, or for a zero
    /// denominator. Powers of ten up to 10^9 and denominators from 11 to 2^20 - 2 fit.
    pub fn new(numerator: u64, denominator: u64) -> Option<Self> {
        if numerator > LARGEST_NUMERATOR {
            return None;
        }
        let power = (0..=9).find(|&power| 10_u64.pow(power) == denominator);
        let code = match power {
            Some(power) => u64::from(power),
            None if (11..DENOMINATOR_MASK).contains(&denominator) => denominator,
            None if (2..10).contains(&denominator) => {
                return Self::new(numerator.checked_mul(60)?, denominator * 60);
            }
            None => return None,
        };
        // One is added, so that the whole is never zero.
        NonZeroU64::new((numerator << DENOMINATOR_BITS) | (code + 1)).map(Self)
    }

    pub fn numerator(self) -> u64 {
        self.0.get() >> DENOMINATOR_BITS
    }

    pub fn denominator(self) -> u64 {
        match (self.0.get() & DENOMINATOR_MASK) - 1 {
            power @ 0..=9 => 10_u64.pow(power as u32),
            denominator => denominator,
        }
    }

    pub fn seconds(self) -> f64 {
        self.numerator() as f64 / self.denominator() as f64
    }

    pub fn instant(self) -> Instant {
        Instant::new(self.numerator().into(), self.denominator().into())
    }

    /// Reads `hh:mm:ss.zzzzz` or `hh:mm:ss.zzzzzSfffff`.
    ///
    /// More than two digits of hours, and a whole second without decimals, are taken: they
    /// can be meant in one way only. More than nine decimals are refused unless they are zeros.
    ///
    /// Source: ITU-R BS.2076-2, clause 5.13.
    pub fn parse(text: &str) -> Result<Self, NotATime> {
        if let Some(time) = Self::plain(text.as_bytes()) {
            return Ok(time);
        }
        let shape = || NotATime::Shape(text.to_owned());
        let number = |digits: &str| -> Result<u64, NotATime> {
            if digits.is_empty() || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
                return Err(shape());
            }
            digits
                .parse()
                .map_err(|_| NotATime::TooFine(text.to_owned()))
        };
        let trimmed = text.trim();
        let mut parts = trimmed.splitn(3, ':');
        let (Some(hours), Some(minutes), Some(rest)) = (parts.next(), parts.next(), parts.next())
        else {
            return Err(shape());
        };
        let (hours, minutes) = (number(hours)?, number(minutes)?);
        let (seconds, fraction) = match rest.split_once('.') {
            Some((seconds, fraction)) => (number(seconds)?, Some(fraction)),
            None => (number(rest)?, None),
        };
        if minutes > 59 || seconds > 59 {
            return Err(shape());
        }
        let whole = hours
            .checked_mul(3600)
            .and_then(|hours| hours.checked_add(minutes * 60 + seconds))
            .ok_or_else(|| NotATime::TooFine(text.to_owned()))?;
        let (over, denominator) = match fraction {
            None => (0, 1),
            Some(fraction) => match fraction.split_once(['S', 's']) {
                Some((samples, rate)) => {
                    let (samples, rate) = (number(samples)?, number(rate)?);
                    if rate == 0 || samples >= rate {
                        return Err(NotATime::Samples(text.to_owned()));
                    }
                    (samples, rate)
                }
                None => {
                    number(fraction)?;
                    let digits = fraction.trim_end_matches('0');
                    let power = u32::try_from(digits.len()).unwrap_or(u32::MAX);
                    if power > 9 {
                        return Err(NotATime::TooFine(text.to_owned()));
                    }
                    let over = if digits.is_empty() {
                        0
                    } else {
                        number(digits)?
                    };
                    (over, 10_u64.pow(power))
                }
            },
        };
        whole
            .checked_mul(denominator)
            .and_then(|whole| whole.checked_add(over))
            .and_then(|numerator| Self::new(numerator, denominator))
            .ok_or_else(|| NotATime::TooFine(text.to_owned()))
    }
}

impl AdmTime {
    /// `hh:mm:ss.zzzzz` as nearly every file has it, the quick way; `None` for all else.
    fn plain(text: &[u8]) -> Option<Self> {
        let &[h1, h0, b':', m1, m0, b':', s1, s0, b'.', z4, z3, z2, z1, z0] = text else {
            return None;
        };
        let digits = [h1, h0, m1, m0, s1, s0, z4, z3, z2, z1, z0];
        if !digits.iter().all(u8::is_ascii_digit) || m1 > b'5' || s1 > b'5' {
            return None;
        }
        let two = |tens: u8, ones: u8| u64::from(tens - b'0') * 10 + u64::from(ones - b'0');
        let fraction = (two(z4, z3) * 100 + two(z2, z1)) * 10 + u64::from(z0 - b'0');
        let mut numerator =
            (two(h1, h0) * 3600 + two(m1, m0) * 60 + two(s1, s0)) * 100_000 + fraction;
        let mut power = if fraction == 0 { 0 } else { 5 };
        if fraction == 0 {
            numerator /= 100_000;
        }
        while power > 0 && numerator % 10 == 0 {
            numerator /= 10;
            power -= 1;
        }
        Self::new(numerator, 10_u64.pow(power))
    }

    /// The time nearest to a decimal one that is finer than is kept; `None` for every other
    /// form, and for times beyond two hundred days.
    pub fn nearest(text: &str) -> Option<Self> {
        let mut parts = text.trim().splitn(3, ':');
        let (hours, minutes, rest) = (parts.next()?, parts.next()?, parts.next()?);
        let (seconds, fraction) = rest.split_once('.')?;
        let number = |digits: &str| {
            let plain = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
            plain.then(|| digits.parse::<u64>().ok()).flatten()
        };
        let whole = number(hours)?
            .checked_mul(3600)?
            .checked_add(number(minutes)?.checked_mul(60)?)?
            .checked_add(number(seconds)?)?;
        Self::decimal_of(whole, fraction).map(|(time, _)| time)
    }

    /// Decimal seconds from the digits before and behind the point, and whether they had to be
    /// rounded: to nine decimals, to fewer where the time is long.
    pub fn decimal(whole: &str, fraction: &str) -> Option<(Self, bool)> {
        let whole = if whole.is_empty() {
            0
        } else {
            whole.parse().ok()?
        };
        Self::decimal_of(whole, fraction)
    }

    fn decimal_of(whole: u64, fraction: &str) -> Option<(Self, bool)> {
        if !fraction.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        let fraction = fraction.trim_end_matches('0');
        let wanted = u32::try_from(fraction.len()).unwrap_or(u32::MAX);
        for power in (0..=wanted.min(9)).rev() {
            let (kept, cut) = fraction.split_at(power as usize);
            let up = cut.as_bytes().first().is_some_and(|&digit| digit >= b'5');
            let over = if kept.is_empty() {
                0
            } else {
                kept.parse::<u64>().ok()?
            };
            let numerator = whole
                .checked_mul(10_u64.pow(power))
                .and_then(|ticks| ticks.checked_add(over + u64::from(up)));
            // From six decimals down, rounding would be heard of.
            match numerator.and_then(|numerator| Self::new(numerator, 10_u64.pow(power))) {
                Some(time) => return Some((time, power < wanted)),
                None if power <= 6 => return None,
                None => {}
            }
        }
        None
    }
}

impl PartialOrd for AdmTime {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// By value: `0.50` and `24000S48000` compare equal here, though `==` tells them apart.
impl Ord for AdmTime {
    fn cmp(&self, other: &Self) -> Ordering {
        self.instant().cmp(&other.instant())
    }
}

impl fmt::Debug for AdmTime {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{self}")
    }
}

/// `hh:mm:ss.zzzzz`, as many decimals as are needed and five at least; sample times keep
/// their rate: `00:00:01.24000S48000`.
impl fmt::Display for AdmTime {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (numerator, denominator) = (self.numerator(), self.denominator());
        let (whole, over) = (numerator / denominator, numerator % denominator);
        let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
        write!(out, "{hours:02}:{minutes:02}:{seconds:02}.")?;
        match (0..=9_u32).find(|&power| 10_u64.pow(power) == denominator) {
            Some(power) if power <= 5 => {
                write!(out, "{:05}", over * 10_u64.pow(5 - power))
            }
            Some(power) => write!(out, "{over:0width$}", width = power as usize),
            None => write!(out, "{over}S{denominator}"),
        }
    }
}

/// An exact fraction of a second that may be a sum of times; never negative.
#[derive(Clone, Copy, Debug)]
pub struct Instant {
    numerator: u128,
    denominator: u128,
}

impl Instant {
    pub const ZERO: Self = Self {
        numerator: 0,
        denominator: 1,
    };

    /// `denominator` must not be zero.
    pub fn new(numerator: u128, denominator: u128) -> Self {
        assert!(denominator != 0, "a fraction has a denominator");
        Self {
            numerator,
            denominator,
        }
    }

    /// The sum. Denominators of [`AdmTime`] are below 2^30 and at most three are ever summed,
    /// so nothing can run over.
    pub fn plus(self, other: Self) -> Self {
        if self.denominator == other.denominator {
            return Self::new(self.numerator + other.numerator, self.denominator);
        }
        let common = gcd(self.denominator, other.denominator);
        let (left, right) = (other.denominator / common, self.denominator / common);
        Self::new(
            self.numerator * left + other.numerator * right,
            self.denominator * left,
        )
    }

    /// The number of the first sample at or after this instant: `ceil(t * rate)`.
    ///
    /// A sample `s` belongs to a block when `start * rate <= s < end * rate`
    /// (ITU-R BS.2127-1, clause 6).
    pub fn first_sample(self, sample_rate: u32) -> u64 {
        let scaled = self.numerator * u128::from(sample_rate);
        u64::try_from(scaled.div_ceil(self.denominator)).unwrap_or(u64::MAX)
    }

    /// The instant in samples, as near as a double holds it.
    pub fn samples(self, sample_rate: u32) -> f64 {
        let scaled = self.numerator * u128::from(sample_rate);
        let whole = scaled / self.denominator;
        whole as f64 + (scaled % self.denominator) as f64 / self.denominator as f64
    }

    pub fn seconds(self) -> f64 {
        self.samples(1)
    }
}

impl PartialEq for Instant {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Instant {}

impl PartialOrd for Instant {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Products of odd sample rates may not fit: then by whole parts, then by what is left of both
/// turned over, and so on (continued fractions).
impl Ord for Instant {
    fn cmp(&self, other: &Self) -> Ordering {
        let across = self.numerator.checked_mul(other.denominator);
        if let Some(across) = across.zip(other.numerator.checked_mul(self.denominator)) {
            return across.0.cmp(&across.1);
        }
        let (mut left, mut right) = (*self, *other);
        let mut turned = false;
        loop {
            let whole =
                (left.numerator / left.denominator).cmp(&(right.numerator / right.denominator));
            let rests = (
                left.numerator % left.denominator,
                right.numerator % right.denominator,
            );
            let order = match (whole, rests) {
                (Ordering::Equal, (0, 0)) => Ordering::Equal,
                (Ordering::Equal, (0, _)) => Ordering::Less,
                (Ordering::Equal, (_, 0)) => Ordering::Greater,
                (Ordering::Equal, (left_rest, right_rest)) => {
                    left = Self::new(left.denominator, left_rest);
                    right = Self::new(right.denominator, right_rest);
                    turned = !turned;
                    continue;
                }
                (other, _) => other,
            };
            return if turned { order.reverse() } else { order };
        }
    }
}

fn gcd(mut left: u128, mut right: u128) -> u128 {
    // Denominators nearly always fit here, where a division is far quicker.
    if let (Ok(mut left), Ok(mut right)) = (u64::try_from(left), u64::try_from(right)) {
        while right != 0 {
            (left, right) = (right, left % right);
        }
        return left.into();
    }
    while right != 0 {
        (left, right) = (right, left % right);
    }
    left
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Object start, rtime and duration in samples of rates without a common factor, hours long.
    #[test]
    fn sums_of_odd_sample_times_are_compared_without_running_over() {
        let time = |text: &str| AdmTime::parse(text).unwrap().instant();
        let start = time("19:00:00.1S1048573");
        let rtime = time("13:00:00.1S1048571");
        let end = start.plus(rtime).plus(time("11:00:00.1S1048557"));
        let later = start.plus(rtime).plus(time("11:00:00.2S1048557"));
        assert_eq!(end.cmp(&later), Ordering::Less);
        assert_eq!(later.cmp(&end), Ordering::Greater);
        assert_eq!(
            end.cmp(&start.plus(time("11:00:00.1S1048557")).plus(rtime)),
            Ordering::Equal
        );
        for (left, right, order) in [
            ("00:00:00.24000S48000", "00:00:00.50000", Ordering::Equal),
            ("00:00:00.24001S48000", "00:00:00.50000", Ordering::Greater),
            ("00:00:00.22049S44100", "00:00:00.50000", Ordering::Less),
            ("00:00:01.00000", "00:00:00.47999S48000", Ordering::Greater),
        ] {
            assert_eq!(time(left).cmp(&time(right)), order, "{left} {right}");
            assert_eq!(
                time(right).cmp(&time(left)),
                order.reverse(),
                "{left} {right}"
            );
        }
    }

    /// Forms of ITU-R BS.2076-2, clause 5.13.
    #[test]
    fn a_time_is_kept_exactly_and_written_as_it_was_read() {
        for text in [
            "00:00:00.00000",
            "01:23:45.67891",
            "00:00:09.999999999",
            "00:00:01.24000S48000",
        ] {
            assert_eq!(AdmTime::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(
            AdmTime::parse("00:00:00.5").unwrap().to_string(),
            "00:00:00.50000"
        );
        assert_eq!(
            AdmTime::parse("00:00:00.50000000000000")
                .unwrap()
                .to_string(),
            "00:00:00.50000"
        );
        assert_eq!(size_of::<Option<AdmTime>>(), 8);
    }

    /// The quick way and the long one give the same: a sixth decimal, zero, forces the long one.
    #[test]
    fn a_plain_time_is_the_same_time_read_quickly() {
        for text in [
            "00:00:00.00000",
            "00:00:10.00000",
            "00:01:40.10000",
            "12:34:56.78901",
            "99:59:59.99999",
            "00:00:00.00010",
        ] {
            assert_eq!(
                AdmTime::plain(text.as_bytes()),
                AdmTime::parse(&format!("{text}0")).ok()
            );
            assert!(AdmTime::plain(text.as_bytes()).is_some());
        }
        for text in [
            "00:60:00.00000",
            "00:00:60.00000",
            "00:00:00.0000S",
            "0:00:00.000000",
        ] {
            assert_eq!(AdmTime::plain(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for text in [
            "",
            "1.5",
            "00:00",
            "00:61:00.0",
            "00:00:60.0",
            "00:00:-1.0",
            "00:00:01.",
            "00:00:01.1S",
            "00:00:01.48000S48000",
            "00:00:00.0000000001",
            "aa:00:00.0",
            "99999999999999999999:00:00.0",
        ] {
            assert!(AdmTime::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_time_finer_than_is_kept_is_rounded_when_that_is_asked_for() {
        let near = |text: &str| AdmTime::nearest(text).map(|time| time.to_string());
        assert_eq!(
            near("00:00:00.0213333333333").as_deref(),
            Some("00:00:00.021333333")
        );
        assert_eq!(
            near("00:00:59.9999999999").as_deref(),
            Some("00:01:00.000000000")
        );
        // Beyond 4.8 hours nine decimals do not fit.
        assert_eq!(
            near("05:00:00.123456789").as_deref(),
            Some("05:00:00.12345679")
        );
        assert_eq!(near("00:00:00.x"), None);
        assert_eq!(near("9999999:00:00.1234567"), None);
    }

    #[test]
    fn sums_and_samples_are_exact() {
        let third = AdmTime::new(1, 3).unwrap().instant();
        let sum = third.plus(third).plus(third);
        assert_eq!(sum, AdmTime::new(1, 1).unwrap().instant());
        assert_eq!(sum.first_sample(48_000), 48_000);
        let tick = AdmTime::parse("00:00:00.00001").unwrap().instant();
        assert_eq!(tick.first_sample(48_000), 1);
        assert!((tick.samples(48_000) - 0.48).abs() < 1e-15);
        assert!(AdmTime::parse("00:00:00.50000").unwrap() == AdmTime::new(5, 10).unwrap());
        assert_eq!(
            AdmTime::new(1, 2)
                .unwrap()
                .cmp(&AdmTime::new(24_000, 48_000).unwrap()),
            Ordering::Equal
        );
    }
}
