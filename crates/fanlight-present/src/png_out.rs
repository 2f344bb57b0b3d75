//! From an SVG figure to a PNG for slides and print.

use crate::PresentError;
use resvg::{tiny_skia, usvg};
use std::sync::{Arc, OnceLock};

/// Least and most pixels per inch.
const RESOLUTION: (f64, f64) = (24.0, 1200.0);
/// CSS pixels per inch, in which a parsed SVG is measured.
const CSS_PER_INCH: f64 = 96.0;

/// Draws an SVG at its size on paper with the bundled Noto Sans; the PNG carries its resolution. A figure of 170 mm
/// at 300 pixels per inch is 2008 pixels wide.
///
/// # Errors
/// When the text is no SVG, or the resolution is outside 24 to 1200.
pub fn svg_to_png(svg: &str, pixels_per_inch: f64) -> Result<Vec<u8>, PresentError> {
    let (least, most) = RESOLUTION;
    if !(pixels_per_inch.is_finite() && (least..=most).contains(&pixels_per_inch)) {
        return Err(PresentError::BadResolution { pixels_per_inch, least, most });
    }
    encode(&drawn(svg, pixels_per_inch / CSS_PER_INCH)?, Some(pixels_per_inch))
}

/// Red, green and blue of every pixel, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Rgb {
    pub width: u32,
    pub height: u32,
    pub bytes: Vec<u8>,
}

impl Rgb {
    /// As a PNG that names no size on paper.
    pub fn png(&self) -> Result<Vec<u8>, PresentError> {
        encode(self, None)
    }
}

/// Draws an SVG, so many pixels to one of its own.
pub(crate) fn drawn(svg: &str, scale: f64) -> Result<Rgb, PresentError> {
    drawn_tree(&parse(svg)?, scale)
}

/// Draws a parsed SVG, so many pixels to one of its own.
pub(crate) fn drawn_tree(tree: &usvg::Tree, scale: f64) -> Result<Rgb, PresentError> {
    let pixels = |css: f32| (f64::from(css) * scale).round().max(1.0) as u32;
    let (width, height) = (pixels(tree.size().width()), pixels(tree.size().height()));
    let mut pixmap = tiny_skia::Pixmap::new(width, height)
        .ok_or_else(|| PresentError::Png { reason: format!("{width} × {height} pixels are too many") })?;
    resvg::render(tree, tiny_skia::Transform::from_scale(scale as f32, scale as f32), &mut pixmap.as_mut());
    // figures have an opaque sheet behind them, so colour alone is enough, and it is not multiplied by anything
    let mut bytes = vec![0; 3 * pixmap.pixels().len()];
    for (rgb, rgba) in bytes.as_chunks_mut::<3>().0.iter_mut().zip(pixmap.data().as_chunks::<4>().0) {
        rgb.copy_from_slice(&rgba[..3]);
    }
    Ok(Rgb { width, height, bytes })
}

/// The figure's tree with all text laid out in the bundled face.
pub(crate) fn parse(svg: &str) -> Result<usvg::Tree, PresentError> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let fonts = FONTS.get_or_init(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(notosans::REGULAR_TTF.to_vec());
        fonts.load_font_data(notosans::BOLD_TTF.to_vec());
        fonts.set_sans_serif_family("Noto Sans");
        Arc::new(fonts)
    });
    let options = usvg::Options {
        fontdb: fonts.clone(),
        font_family: "Noto Sans".to_string(),
        // bilinear: the picture is enlarged by under two, and bicubic takes a third of the drawing's time
        image_rendering: usvg::ImageRendering::Smooth,
        // what a figure shows lies in it: no file is opened
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: usvg::ImageHrefResolver::default_data_resolver(),
            resolve_string: Box::new(|_, _| None),
        },
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(svg, &options).map_err(|e| PresentError::BadSvg { reason: e.to_string() })
}

fn encode(rgb: &Rgb, pixels_per_inch: Option<f64>) -> Result<Vec<u8>, PresentError> {
    let failed = |e: png::EncodingError| PresentError::Png { reason: e.to_string() };
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, rgb.width, rgb.height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fast);
    let per_metre = pixels_per_inch.map(|p| (p / 0.0254).round() as u32);
    encoder.set_pixel_dims(per_metre.map(|p| png::PixelDimensions { xppu: p, yppu: p, unit: png::Unit::Meter }));
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(&rgb.bytes).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::svg::{Anchor, Canvas, TextStyle, text_width};
    use crate::theme::LIGHT;

    fn size(png: &[u8]) -> (u32, u32) {
        let reader = png::Decoder::new(std::io::Cursor::new(png)).read_info().expect("png");
        (reader.info().width, reader.info().height)
    }

    #[test]
    fn a_figure_is_two_thousand_pixels_wide_at_300_per_inch() {
        let svg = Canvas::new(&LIGHT, 200.0).finish("empty");
        // 170 mm / 25.4 mm · 300 = 2007.9
        assert_eq!(size(&svg_to_png(&svg, 300.0).expect("png")), (2008, 591));
    }

    #[test]
    fn nonsense_is_refused_with_a_reason() {
        assert!(matches!(svg_to_png("no svg", 300.0), Err(PresentError::BadSvg { .. })));
        for bad in [0.0, -1.0, f64::NAN, 1e9] {
            assert!(matches!(svg_to_png("<svg/>", bad), Err(PresentError::BadResolution { .. })));
        }
    }

    fn width_of_text(group: &usvg::Group) -> Option<f64> {
        group.children().iter().find_map(|node| match node {
            usvg::Node::Text(text) => Some(f64::from(text.bounding_box().width())),
            usvg::Node::Group(inner) => width_of_text(inner),
            _ => None,
        })
    }

    #[test]
    fn estimated_text_widths_agree_with_the_laid_out_face() {
        let text = "Sphinx of black quartz, judge my vow: 0.1234567 (±5 km) × 10";
        let mut canvas = Canvas::new(&LIGHT, 100.0);
        canvas.text((0.0, 50.0), TextStyle::new(10.0, LIGHT.ink).anchor(Anchor::Start), text);
        let tree = parse(&canvas.finish("width")).expect("svg");
        let laid_out = width_of_text(tree.root()).expect("one text");
        // the box leaves out the side bearings of the first and last letter and kerning: under 2 % here
        assert!((laid_out / text_width(text, 10.0) - 1.0).abs() < 0.02, "{laid_out} {}", text_width(text, 10.0));
    }
}
