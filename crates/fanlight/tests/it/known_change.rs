//! What a comparison of nights can be asked to find: a true change as the comparison sees it, in shares of the coma.

use fanlight_image::Image;

/// Light that a change adds to a night: what it shows beyond what it would with the structure of before, at its own azimuthal means (in
/// rings of a pixel), since nights are compared in shares of them. Both without noise, on one grid.
pub fn in_shares(is: &Image, as_before: &Image, (x, y): (f64, f64)) -> Image {
    let ring = |i: usize| ((i % is.width) as f64 - x).hypot((i / is.width) as f64 - y) as usize;
    let means = |image: &Image| -> Vec<f64> {
        let mut sums = vec![(0.0, 0.0); is.width + is.height];
        for (i, v) in image.data.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            let sum = &mut sums[ring(i)];
            *sum = (sum.0 + f64::from(*v), sum.1 + 1.0);
        }
        sums.into_iter().map(|(sum, n)| if n > 0.0 { sum / n } else { 0.0 }).collect()
    };
    let (of_is, of_before) = (means(is), means(as_before));
    let data = is.data.iter().zip(&as_before.data).enumerate().map(|(i, (is, before))| {
        let at_its_mean = f64::from(*before) * of_is[ring(i)] / of_before[ring(i)];
        let change = f64::from(*is) - at_its_mean;
        if change.is_finite() { change as f32 } else { 0.0 }
    });
    Image { data: data.collect(), ..*is }
}
