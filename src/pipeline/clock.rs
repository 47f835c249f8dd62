//! When a place on the belt passed the laser.

use jiff::{SignedDuration, Timestamp};

use crate::scan::{Profiles, Recording};

/// When a place on the belt passed.
#[derive(Debug)]
pub enum Clock {
    /// Neither speed nor times were stated.
    Unknown,
    /// Start time at y = 0 and belt speed.
    Speed { start: Timestamp, speed_mm_s: f64 },
    /// Rows' own places and times.
    Rows(Vec<(f64, Timestamp)>),
}

impl Clock {
    /// Of a recording and the profiles of its frames: rows' own times where there are any, or else the belt speed.
    pub fn new(recording: &Recording, profiles: &[Option<Profiles>]) -> Self {
        let mut rows = Vec::new();
        for profiles in profiles.iter().flatten() {
            if let Some(times) = &profiles.time {
                rows.extend(
                    profiles
                        .encoder_mm
                        .iter()
                        .copied()
                        .zip(times.iter().copied()),
                );
            }
        }
        if rows.len() > 1 {
            return Self::Rows(rows);
        }
        let Some(first) = recording.frames.first() else {
            return Self::Unknown;
        };
        let description = &first.description;
        match description.belt_speed_mm_s {
            None => Self::Unknown,
            Some(speed_mm_s) => {
                let height = &description.height;
                let before_mm = height.first_profile as f64 * height.pitch_along_mm;
                let start = plus(description.captured, -before_mm / speed_mm_s);
                start.map_or(Self::Unknown, |start| Self::Speed { start, speed_mm_s })
            }
        }
    }

    /// The moment at which what was measured at `y_measured_mm` passed.
    pub fn at(&self, y_measured_mm: f64) -> Option<Timestamp> {
        match self {
            Self::Unknown => None,
            Self::Speed { start, speed_mm_s } => plus(*start, y_measured_mm / speed_mm_s),
            Self::Rows(rows) => {
                let next = rows.partition_point(|row| row.0 <= y_measured_mm);
                let next = next.clamp(1, rows.len() - 1);
                let (one, two) = (rows[next - 1], rows[next]);
                let share = (y_measured_mm - one.0) / (two.0 - one.0);
                plus(one.1, two.1.duration_since(one.1).as_secs_f64() * share)
            }
        }
    }
}

/// To the microsecond: finer than any belt can tell.
fn plus(time: Timestamp, seconds: f64) -> Option<Timestamp> {
    time.checked_add(SignedDuration::from_micros((seconds * 1e6).round() as i64))
        .ok()
}
