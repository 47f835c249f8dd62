//! Figures: what the chart script in a page draws.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Map, Value, json};

/// Colours that stay apart for colour-blind eyes (Okabe and Ito 2008) and show on white and on near black.
pub(super) const BLUE: &str = "#0072B2";
pub(super) const SKY: &str = "#56B4E9";
pub(super) const GREEN: &str = "#009E73";
pub(super) const ORANGE: &str = "#E69F00";
pub(super) const VERMILION: &str = "#D55E00";
pub(super) const GREY: &str = "#8a949c";

/// Width of every figure: what fits between the margins of both A4 and Letter.
const WIDTH_PX: u32 = 680;

/// A figure; templates draw it with the macro in `figure.html`.
pub(super) struct Figure {
    pub(super) caption: String,
    pub(super) height_px: u32,
    pub(super) json: String,
}

/// A figure being put together.
pub(super) struct Sketch {
    caption: String,
    height_px: u32,
    data: Vec<Value>,
    layout: Map<String, Value>,
    shared: Option<Value>,
}

/// Numbers packed as 8-byte floats, little endian.
pub(super) fn f64s(values: impl IntoIterator<Item = f64>) -> Value {
    let bytes: Vec<u8> = values.into_iter().flat_map(f64::to_le_bytes).collect();
    json!({"dtype": "f8", "bdata": STANDARD.encode(bytes)})
}

/// Numbers packed as 4-byte floats: seven digits, more than any chart shows.
pub(super) fn f32s(values: impl IntoIterator<Item = f64>) -> Value {
    let bytes = values.into_iter().flat_map(|it| (it as f32).to_le_bytes());
    json!({"dtype": "f4", "bdata": STANDARD.encode(bytes.collect::<Vec<u8>>())})
}

/// A table of numbers, row by row, `columns` to a row.
pub(super) fn table(values: impl ExactSizeIterator<Item = f32>, columns: usize) -> Value {
    let rows = values.len() / columns.max(1);
    let bytes: Vec<u8> = values.flat_map(f32::to_le_bytes).collect();
    json!({"dtype": "f4", "bdata": STANDARD.encode(bytes), "shape": format!("{rows}, {columns}")})
}

impl Sketch {
    pub(super) fn new(caption: impl Into<String>, height_px: u32) -> Self {
        let layout = json!({
            "width": WIDTH_PX, "height": height_px,
            "margin": {"l": 70, "r": 16, "t": 10, "b": 44},
            "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": "system-ui, DejaVu Sans, sans-serif", "size": 11},
            "showlegend": false, "hovermode": "closest",
        });
        Self {
            caption: caption.into(),
            height_px,
            data: Vec::new(),
            layout: match layout {
                Value::Object(map) => map,
                _ => Map::new(),
            },
            shared: None,
        }
    }

    /// Sets a part of the layout.
    pub(super) fn layout(&mut self, key: &str, value: Value) -> &mut Self {
        self.layout.insert(key.to_owned(), value);
        self
    }

    /// Adds a trace.
    pub(super) fn trace(&mut self, trace: Value) -> &mut Self {
        self.data.push(trace);
        self
    }

    /// Places that several traces share: those whose `x` is `"shared"`.
    pub(super) fn shared(&mut self, places: Value) -> &mut Self {
        self.shared = Some(places);
        self
    }

    pub(super) fn done(self) -> Figure {
        let spec = json!({"data": self.data, "layout": self.layout, "shared": self.shared});
        Figure {
            caption: self.caption,
            height_px: self.height_px,
            // Inside a script element only `</` could end it; no text may hold it.
            json: spec.to_string().replace('<', "\\u003c"),
        }
    }
}
