//! In what the frames of a recording must agree, and the words for what differs.

use super::description::{HeightKind, ViewPart, ViewSide};
use super::folder::Scan;

/// A number by its bits: two are alike when every digit is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Exact(u64);

impl Exact {
    pub fn of(value: f64) -> Self {
        Self(value.to_bits())
    }

    pub fn value(self) -> f64 {
        f64::from_bits(self.0)
    }
}

/// In what the frames of a recording must agree.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Alike {
    pub scanner: String,
    pub product: Option<String>,
    pub lanes: Option<u32>,
    pub belt_speed_mm_s: Option<Exact>,
    pub kind: &'static str,
    pub pitch_across_mm: Exact,
    pub pitch_along_mm: Exact,
    pub scale: Exact,
    pub offset: Exact,
    pub invalid: Option<u16>,
    pub columns: usize,
    pub views: String,
    /// Pitches across and along, and the origin across; the origin along is each frame's own.
    pub colour: Option<[Exact; 3]>,
    pub profiles: bool,
}

impl Alike {
    pub fn of(scan: &Scan) -> Self {
        let description = &scan.description;
        let height = &description.height;
        Self {
            scanner: description.scanner.clone(),
            product: description.product.clone(),
            lanes: description.lanes,
            belt_speed_mm_s: description.belt_speed_mm_s.map(Exact::of),
            kind: match height.kind {
                HeightKind::Range => "range",
                HeightKind::Stripe => "stripe",
            },
            pitch_across_mm: Exact::of(height.pitch_across_mm),
            pitch_along_mm: Exact::of(height.pitch_along_mm),
            scale: Exact::of(height.scale),
            offset: Exact::of(height.offset),
            invalid: height.invalid,
            columns: scan.columns,
            views: view_text(scan),
            colour: description.colour.as_ref().map(|colour| {
                [
                    colour.pitch_across_mm,
                    colour.pitch_along_mm,
                    colour.origin_across_mm,
                ]
                .map(Exact::of)
            }),
            profiles: description.profiles.is_some(),
        }
    }

    /// Each key with its value in words, in the order in which differences are looked for.
    pub fn in_words(&self) -> [(&'static str, String); 17] {
        let number = |value: Exact| value.value().to_string();
        let optional = |value: Option<String>| value.unwrap_or_else(|| "none".to_string());
        let presence = |present: bool| if present { "present" } else { "none" }.to_string();
        let colour = |at: usize| optional(self.colour.map(|it| number(it[at])));
        [
            ("scanner", self.scanner.clone()),
            ("product", optional(self.product.clone())),
            ("lanes", optional(self.lanes.map(|it| it.to_string()))),
            (
                "belt_speed_mm_s",
                optional(self.belt_speed_mm_s.map(number)),
            ),
            ("height.kind", self.kind.to_string()),
            ("height.pitch_across_mm", number(self.pitch_across_mm)),
            ("height.pitch_along_mm", number(self.pitch_along_mm)),
            ("height.scale", number(self.scale)),
            ("height.offset", number(self.offset)),
            (
                "height.invalid",
                optional(self.invalid.map(|it| it.to_string())),
            ),
            ("height.file", format!("{} columns", self.columns)),
            ("view", self.views.clone()),
            ("colour", presence(self.colour.is_some())),
            ("colour.pitch_across_mm", colour(0)),
            ("colour.pitch_along_mm", colour(1)),
            ("colour.origin_across_mm", colour(2)),
            ("profiles", presence(self.profiles)),
        ]
    }
}

/// A scan's views as far as frames must agree on them.
fn view_text(scan: &Scan) -> String {
    let view = |view: &ViewPart| {
        let side = match view.camera_side {
            ViewSide::LowY => "low-y",
            ViewSide::HighY => "high-y",
        };
        let angle = view
            .camera_angle_deg
            .map_or(String::new(), |angle_deg| format!(" at {angle_deg}°"));
        let coding = match view.invalid {
            Some(invalid) => format!(
                ", scale {}, offset {}, invalid {invalid}",
                view.scale, view.offset
            ),
            None => String::new(),
        };
        format!("a view from {side}{angle}{coding}")
    };
    let views: Vec<String> = scan.description.views.iter().map(view).collect();
    if views.is_empty() {
        "none".to_string()
    } else {
        views.join("; ")
    }
}
