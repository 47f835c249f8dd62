//! Lanes that lie together ask the seen flanks together.
//!
//! Neighbouring shoulders are about as high and their edge runs in about the same direction, so the same examples speak for them. What
//! they say of one is scaled to the next one's height, for as long as these hardly differ.

use super::flank::{Expected, SeenFlanks};

/// Lanes that share an answer, at most.
const LANES: usize = 4;
/// Largest difference of direction, cells along per lane across, and of height, as a share, within which an answer is shared.
const ALIKE_DIRECTION: f32 = 0.05;
const ALIKE_HEIGHT: f32 = 0.03;

/// What was last asked, and the answer.
struct Asked {
    lane: usize,
    height_mm: f32,
    direction: f32,
    most: usize,
    behind: Option<Vec<Expected>>,
}

/// Asks flanks for one lane after the other.
pub struct Asking<'a> {
    flanks: &'a SeenFlanks,
    more: Option<&'a SeenFlanks>,
    asked: Option<Asked>,
}

impl<'a> Asking<'a> {
    /// Asks `flanks`, and `more` where these have no like.
    pub fn new(flanks: &'a SeenFlanks, more: Option<&'a SeenFlanks>) -> Self {
        Self {
            flanks,
            more,
            asked: None,
        }
    }

    /// As [`SeenFlanks::behind`] for a shoulder of lane `lane`; heights are to be multiplied by the number beside them.
    pub fn behind(
        &mut self,
        lane: usize,
        height_mm: f32,
        direction: f32,
        most: usize,
    ) -> Option<(&[Expected], f32)> {
        let alike = |asked: &Asked| {
            lane < asked.lane + LANES
                && most <= asked.most
                && (direction - asked.direction).abs() <= ALIKE_DIRECTION
                && (height_mm - asked.height_mm).abs() <= ALIKE_HEIGHT * height_mm
        };
        if !self.asked.as_ref().is_some_and(alike) {
            // Shadows of the next lanes may be some cells longer.
            let most = most + LANES;
            let ask = |flanks: &SeenFlanks| flanks.behind(height_mm, direction, most);
            self.asked = Some(Asked {
                lane,
                height_mm,
                direction,
                most,
                behind: ask(self.flanks).or_else(|| self.more.and_then(ask)),
            });
        }
        let asked = self.asked.as_ref()?;
        let behind = asked.behind.as_deref()?;
        Some((behind, height_mm / asked.height_mm))
    }
}
