//! Colour: sRGB to CIELAB, differences, correction, flat field, class rules.
