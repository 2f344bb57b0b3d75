//! Whether the night's frames have noise that whole rows or columns share.

use super::first_pass::{Context, read_calibrated};
use super::inputs::{self, Light};
use super::window;
use fanlight_coma::lines::{self, Direction, LineNoise};
use rayon::prelude::*;

/// Frames looked at: first, middle and last.
const LOOKED_AT: usize = 3;
/// Side of the part looked at.
const SIDE_PX: usize = 768;

/// The directions in which most of three frames show noise of whole lines, which are then levelled in every frame.
pub fn find(lights: &[Light], context: &Context, notes: &mut Vec<String>) -> Vec<Direction> {
    let found: Vec<[Option<LineNoise>; 2]> = inputs::spread(lights, LOOKED_AT)
        .par_iter()
        .filter_map(|light| {
            let place = context.expected.place(light.mid).ok()?;
            let area = window::of(light, place, SIDE_PX.min(context.window_side_px))?;
            let mut frame = read_calibrated(light, area, context).ok()?;
            let rows = lines::measure(&frame, Direction::Rows);
            // rows of different levels widen the columns' pixels
            if rows.is_some_and(|r| r.is_significant()) {
                lines::level(&mut frame, Direction::Rows);
            }
            Some([rows, lines::measure(&frame, Direction::Columns)])
        })
        .collect();
    let mut directions = Vec::new();
    for (i, (direction, name)) in [(Direction::Rows, "rows"), (Direction::Columns, "columns")].into_iter().enumerate() {
        let shown: Vec<f64> =
            found.iter().filter_map(|f| f[i]).filter(LineNoise::is_significant).map(|n| n.intrinsic_e()).collect();
        if shown.len() * 2 > found.len() {
            let mean_e = shown.iter().sum::<f64>() / shown.len() as f64;
            notes.push(format!(
                "Whole {name} of the frames differ by {mean_e:.1} electrons (1 sigma); every frame's {name} were brought to the \
                 level of their neighbours."
            ));
            directions.push(direction);
        }
    }
    directions
}
