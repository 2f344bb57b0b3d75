//! What truly changed between two nights of a simulated season, and what the comparison of them makes of it.

use crate::known_change;
use crate::seasons::{LEDGER, NightPlan, Plan, Structure, keys};
use fanlight::season::inputs::{NightIn, of_ledger, sort_out};
use fanlight::season::{changes, stacks::Stacks};
use fanlight_coma::change::KnownChange;
use fanlight_coma::evidence::mode_space::SkyFrame;
use fanlight_image::resample::{CoordinateGrid, Frame, Mapping, lanczos3};
use fanlight_image::{Image, Mask};
use fanlight_io::Ledger;
use fanlight_record::ChangeRecord;
use fanlight_sim::Simulation;
use serde_json::Value;
use std::path::Path;

/// Two nights compared by one who knows what changed.
pub struct Knowing {
    /// The comparison as the season has it.
    pub change: ChangeRecord,
    /// What filters find that know the change; nothing where nothing changed, or where the nights could not be compared.
    pub known: KnownChange,
    /// Position angles of what changed, before and after.
    pub places_deg: Vec<f64>,
}

/// The nights in a season's ledger, in order of time.
///
/// # Errors
/// When the ledger cannot be read or has none.
pub fn measured(folder: &Path, plan: &Plan) -> Result<Vec<NightIn>, String> {
    let ledger = Ledger::open(&folder.join(LEDGER)).map_err(|e| e.to_string())?;
    let read = of_ledger(&ledger).map_err(|e| e.to_string())?;
    let object = &plan.nights[0].scenario.object.designation;
    Ok(sort_out(object, |_| None, read).map_err(|e| e.to_string())?.nights)
}

impl Plan {
    /// Compares two measured nights again, knowing what changed; `None` where either is not planned.
    pub fn compare(&self, was: &NightIn, is: &NightIn, truths: &[Value]) -> Option<Knowing> {
        let [earlier, later] = [was, is].map(|night| self.night_at(&night.record.mid_utc));
        let (earlier, later) = (&self.nights[earlier?], (&self.nights[later?], &truths[later?]));
        let places = |own: &[Structure], other: &[Structure]| -> Vec<f64> {
            own.iter().filter(|s| !other.contains(s)).map(|s| s.pa_deg).collect()
        };
        let mut places_deg = places(&earlier.structures, &later.0.structures);
        places_deg.extend(places(&later.0.structures, &earlier.structures));
        let truth = if places_deg.is_empty() { None } else { change_on_stack(&earlier.structures, later, is) };
        let (change, _, known) = changes::between_knowing(was, is, truth.as_ref());
        let nothing = KnownChange { ideal: 0.0, projected: 0.0, seen: 0.0 };
        Some(Knowing { change, known: known.unwrap_or(nothing), places_deg })
    }
}

/// Distances from the nucleus, in px, in which it is told how bright the stack shows the coma.
const BRIGHTNESS_PX: (f64, f64) = (4.0, 30.0);

/// What the later night's stack shows beyond what it would with the earlier night's structures; `None` where there is no stack.
fn change_on_stack(before: &[Structure], (plan, truth): (&NightPlan, &Value), night: &NightIn) -> Option<Image> {
    let stacks = Stacks::read(night.folder.as_ref()?, &night.record, false).ok()?;
    let (stack, record) = (stacks.image(), &night.record.stack);
    let on_stack =
        SkyFrame { centre_px: (record.centre_x_px, record.centre_y_px), arcsec_per_px: record.arcsec_per_px };
    let middle = plan.scenario.n_frames / 2;
    let frame = frame_of_truth(&truth["frames"][middle]);
    let number = |value: &Value| value.as_f64().expect("a number of the truth");
    let km_per_arcsec = number(&truth["geometry"]["km_per_arcsec"]);
    let seen = |structures: &[Structure]| {
        let mut scenario = plan.scenario.clone();
        scenario.comet.features = keys(structures, km_per_arcsec);
        Simulation::new(&scenario).expect("a scenario").expected_comet(middle)
    };
    let is = seen(&plan.structures);
    let change = known_change::in_shares(&is, &seen(before), frame.centre_px);
    let place = |x: f64, y: f64| {
        let (dx, dy) = (x - on_stack.centre_px.0, y - on_stack.centre_px.1);
        let (rho_px, pa_rad) = on_stack.polar(dx, dy);
        let (dx, dy) = frame.step_px(rho_px * on_stack.scale_arcsec() / frame.scale_arcsec(), pa_rad);
        (frame.centre_px.0 + dx, frame.centre_px.1 + dy)
    };
    let mapping = Mapping::Grid(CoordinateGrid::from_fn(stack.width, stack.height, 16, place));
    let laid = |image: &Image| {
        let clear = Mask::clear(image.width, image.height);
        let even = Image::filled(image.width, image.height, 1.0);
        let of = Frame { image, variance: &even, mask: &clear };
        lanczos3(&of, &mapping, stack.width, stack.height).image
    };
    // in the stack's own unit, whatever became of transparency and area
    let expected = laid(&is);
    let (mut of_stack, mut of_truth) = (0.0, 0.0);
    for (i, (own, expected)) in stack.data.iter().zip(&expected.data).enumerate() {
        let rho_px = on_stack.rho_of_pixel((i % stack.width, i / stack.width));
        let inside = (BRIGHTNESS_PX.0..BRIGHTNESS_PX.1).contains(&rho_px);
        if inside && stacks.mask().bits[i] == 0 && own.is_finite() && expected.is_finite() {
            of_stack += f64::from(*own);
            of_truth += f64::from(*expected);
        }
    }
    let factor = (of_stack / of_truth) as f32;
    let mut change = laid(&change);
    change.data.iter_mut().for_each(|v| *v = if v.is_finite() { *v * factor } else { 0.0 });
    (factor.is_finite() && factor > 0.0).then_some(change)
}

/// Where the comet is on a frame, and how the frame lies on the sky.
fn frame_of_truth(frame: &Value) -> SkyFrame {
    let number = |value: &Value| value.as_f64().expect("a number of the truth");
    let matrix = [0, 1].map(|i| [0, 1].map(|j| number(&frame["arcsec_per_px"][i][j])));
    SkyFrame { centre_px: (number(&frame["x_px"]), number(&frame["y_px"])), arcsec_per_px: matrix }
}
