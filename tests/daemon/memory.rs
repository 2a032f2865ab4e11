//! Memory does not grow with a file's length.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use crate::support::*;

/// Mono, 8 kHz, 16 bit: what a meter keeps over time is kept for each second, and not for each
/// sample, so the lowest rate shows it at the least cost. No silence, for a meter may drop
/// that; the level wanders, so that no two stretches are alike to it.
fn music(path: &Path, seconds: u32) {
    let audio = seconds * 16_000;
    let mut head = header(audio, 1);
    head[24..28].copy_from_slice(&8_000u32.to_le_bytes());
    head[28..32].copy_from_slice(&16_000u32.to_le_bytes());
    let mut file = BufWriter::new(File::create(path).unwrap());
    file.write_all(&head).unwrap();
    let mut noise: u32 = 0x9E37_79B9;
    for second in 0..seconds {
        let level = 1_000 + second * 7_919 % 20_000;
        for _ in 0..8_000 {
            // xorshift32: any bits will do.
            noise ^= noise << 13;
            noise ^= noise >> 17;
            noise ^= noise << 5;
            let sample = (i64::from(noise as i32) * i64::from(level)) >> 32;
            file.write_all(&(sample as i16).to_le_bytes()).unwrap();
        }
    }
    file.flush().unwrap();
}

/// The largest resident set of `weigh` on one file, in KiB, as the kernel counted it.
fn peak(house: &House, file: &Path) -> u64 {
    let child = Command::new(BINARY)
        .args(["weigh", "--json", "--profile", "house", "--config"])
        .arg(house.config())
        .arg(file)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    peak_of(child)
}

/// VmHWM (proc_pid_status(5)) never falls, so the last look before the end is the peak but for
/// what was allocated in the last milliseconds.
fn peak_of(mut child: std::process::Child) -> u64 {
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    let mut looks = 0;
    loop {
        if let Ok(text) = std::fs::read_to_string(&status)
            && let Some(line) = text.lines().find(|line| line.starts_with("VmHWM:"))
        {
            let number = line.split_whitespace().nth(1).unwrap();
            peak = peak.max(number.parse::<u64>().unwrap());
            looks += 1;
        }
        if let Some(status) = child.try_wait().unwrap() {
            assert!(status.code().is_some_and(|code| code < 2), "{status}");
            assert!(looks > 5, "it was too quick to be looked at");
            return peak;
        }
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
}

#[test]
fn a_file_of_three_hours_needs_the_memory_of_one_of_two_minutes() {
    let house = House::new();
    house.configure(&[&house.watch("exports")], "");
    let (short, long) = (house.path("short.wav"), house.path("long.wav"));
    music(&short, 120);
    music(&long, 3 * 3600);
    let (short, long) = (peak(&house, &short), peak(&house, &long));
    println!("peak resident set: 2 min {short} KiB, 3 h {long} KiB");
    // Issue 2: the same within 10 %.
    assert!(
        long as f64 <= short as f64 * 1.1,
        "2 min {short} KiB, 3 h {long} KiB"
    );
}
