//! What several tests share.

use fanlight_image::{Image, Mask};

/// The numbers of a CSV file whose comment lines start with `#`; an empty field is NaN.
pub fn numbers(text: &str) -> Vec<Vec<f64>> {
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).comment(Some(b'#')).flexible(true).from_reader(text.as_bytes());
    let field = |f: &str| if f.is_empty() { f64::NAN } else { f.parse().expect("a number") };
    reader.records().map(|r| r.expect("a row").iter().map(field).collect()).collect()
}

/// An image from a function of its pixel coordinates.
pub fn image_of(width: usize, height: usize, f: impl Fn(f64, f64) -> f64) -> Image {
    let data = (0..width * height).map(|i| f((i % width) as f64, (i / width) as f64) as f32).collect();
    Image { width, height, data }
}

/// Unit variance and a clear mask for an image.
pub fn layers(image: &Image) -> (Image, Mask) {
    (Image::filled(image.width, image.height, 1.0), Mask::clear(image.width, image.height))
}

/// Runs the same work on one thread and on two.
pub fn on_one_and_two_threads<T: Send>(work: impl Fn() -> T + Sync) -> [T; 2] {
    let on = |n: usize| rayon::ThreadPoolBuilder::new().num_threads(n).build().expect("threads").install(&work);
    [on(1), on(2)]
}
