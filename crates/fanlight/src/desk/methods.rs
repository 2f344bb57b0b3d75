//! The enhancements with their settings, as sliders and as what the sliders send.

use super::answer::Refusal;
use crate::Failure;
use crate::enhance::length::{Length, PixelScale};
use crate::enhance::method::{Average, Method, Settings};
use crate::enhance::products::brightness_words;
use axum::Json;
use fanlight_coma::ComaError;
use fanlight_coma::enhance::{
    BandConfig, Enhancement, GradientConfig, RadialProfile, RatioConfig, RingConfig, ScaleLaw, Statistic, StretchConfig,
};
use fanlight_present::Values;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// An enhancement as the page offers it.
#[derive(Debug, Serialize, ToSchema)]
pub struct MethodListed {
    /// Its name in requests, and on the command line.
    name: String,
    /// Its usual name.
    title: String,
    /// What it draws that is not there.
    artefacts: String,
    /// Where it was published.
    source: String,
    /// Whether brightness can be had back.
    brightness: String,
    /// What its values mean: `level`, `about_zero`, `about_one` or `share`.
    values: String,
    /// Whether it needs another night.
    needs_other_night: bool,
    /// What can be set.
    settings: Vec<Control>,
}

/// A setting.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct Control {
    /// Its name in requests.
    name: &'static str,
    /// Its name for people.
    label: &'static str,
    /// `number`, `length_px` (full-size pixels) or `choice`.
    kind: &'static str,
    /// Smallest value.
    min: Option<f64>,
    /// Largest value.
    max: Option<f64>,
    /// The value where none is sent.
    usual: Option<f64>,
    /// Steps of a slider.
    step: Option<f64>,
    /// `linear` or `log`: how a slider goes.
    scale: &'static str,
    /// Its unit.
    unit: &'static str,
    /// What can be chosen.
    choices: Option<&'static [&'static str]>,
    /// What is chosen where nothing is sent.
    usual_choice: Option<&'static str>,
}

/// A number or a choice.
#[derive(Debug, Clone, Deserialize, Serialize, ToSchema)]
#[serde(untagged)]
pub enum Value {
    /// A number.
    Number(f64),
    /// One of the choices.
    Choice(String),
}

/// Values of settings by name.
pub type Sent = BTreeMap<String, Value>;

/// The enhancements and what can be set.
#[utoipa::path(get, path = "/api/methods", tag = "pictures", responses((status = 200, body = [MethodListed])))]
pub async fn methods() -> Result<Json<Vec<MethodListed>>, Refusal> {
    Ok(Json(Method::all().map(listed).collect::<Result<_, _>>()?))
}

fn listed(method: Method) -> Result<MethodListed, Refusal> {
    let example = example(method).map_err(Failure::data)?;
    Ok(MethodListed {
        name: method.name(),
        title: example.name().to_owned(),
        artefacts: example.artefacts().to_owned(),
        source: example.source().to_owned(),
        brightness: brightness_words(&example).to_owned(),
        values: values_name(method.values("").0).to_owned(),
        needs_other_night: method == Method::TemporalRatio,
        settings: controls(method),
    })
}

/// What values mean, by name.
pub fn values_name(values: Values) -> &'static str {
    match values {
        Values::AboutZero => "about_zero",
        Values::AboutOne => "about_one",
        Values::Share => "share",
        Values::Level => "level",
    }
}

/// The enhancement of this name.
///
/// # Errors
/// When there is none.
pub fn method(name: &str) -> Result<Method, Refusal> {
    Method::all().find(|m| m.name() == name).ok_or_else(|| {
        Refusal::call(format!("there is no enhancement \"{}\"", name.escape_default()))
            .hint("GET api/methods lists them")
    })
}

const RING: Control = length("ring", "width of the rings", (0.5, 20.0), 1.0);
const AVERAGE: Control = Control {
    name: "average",
    label: "what stands for a ring",
    kind: "choice",
    min: None,
    max: None,
    usual: None,
    step: None,
    scale: "linear",
    unit: "",
    choices: Some(&["mean", "median"]),
    usual_choice: Some("median"),
};

const fn number(
    name: &'static str,
    label: &'static str,
    (min, max): (f64, f64),
    usual: f64,
    step: f64,
    unit: &'static str,
) -> Control {
    Control {
        name,
        label,
        kind: "number",
        min: Some(min),
        max: Some(max),
        usual: Some(usual),
        step: Some(step),
        scale: "linear",
        unit,
        choices: None,
        usual_choice: None,
    }
}

const fn length(name: &'static str, label: &'static str, range: (f64, f64), usual: f64) -> Control {
    Control { kind: "length_px", scale: "log", ..number(name, label, range, usual, 0.1, "px") }
}

/// What can be set of a method. Ranges are those that make a difference on a night; the command takes more.
fn controls(method: Method) -> Vec<Control> {
    let annulus = [
        length("annulus_inner", "annulus from", (1.0, 500.0), 3.0),
        length("annulus_outer", "annulus to", (4.0, 2000.0), 40.0),
    ];
    match method {
        Method::RotationalGradient => vec![
            number("rotation_deg", "rotation of the copies", (1.0, 90.0), 25.0, 0.5, "deg"),
            Control { scale: "linear", ..length("shift", "radial shift of the copies", (0.0, 20.0), 0.0) },
        ],
        Method::AzimuthalDivision | Method::AzimuthalSubtraction => vec![AVERAGE, RING],
        Method::RingStretch => vec![
            number("low", "percentile that becomes 0", (0.0, 49.0), 0.0, 0.5, "percent"),
            number("high", "percentile that becomes 1", (51.0, 100.0), 100.0, 0.5, "percent"),
            RING,
        ],
        Method::RingStandardisation => vec![RING],
        Method::InverseRadius => vec![],
        Method::PowerLawDivision => annulus.to_vec(),
        Method::VariableHighPass => vec![
            length("base", "σ at the nucleus", (0.3, 20.0), 1.0),
            number("growth", "growth of σ", (0.0, 0.5), 0.05, 0.005, ""),
            number("exponent", "power of the growth", (0.0, 2.0), 1.0, 0.05, ""),
        ],
        Method::Laplacian => vec![length("scale", "σ of the Gaussian", (0.7, 60.0), 3.0)],
        Method::UnsharpRatio => vec![length("scale", "σ of the Gaussian", (0.7, 120.0), 5.0)],
        Method::MultiScale => vec![
            length("first_scale", "σ of the finest band; each further one is twice as wide", (0.7, 20.0), 1.5),
            number("gain_1", "weight of the finest band", (0.0, 4.0), 1.0, 0.1, ""),
            number("gain_2", "weight of the middle band", (0.0, 4.0), 1.0, 0.1, ""),
            number("gain_3", "weight of the widest band", (0.0, 4.0), 1.0, 0.1, ""),
        ],
        Method::TemporalRatio => annulus.to_vec(),
    }
}

/// The settings as the commands have them.
///
/// # Errors
/// Names a setting that the method has not, or a value out of its range.
pub fn settings(method: Method, sent: &Sent) -> Result<Settings, Refusal> {
    let controls = controls(method);
    if let Some(name) = sent.keys().find(|name| controls.iter().all(|c| c.name != **name)) {
        let names: Vec<&str> = controls.iter().map(|c| c.name).collect();
        let takes =
            if names.is_empty() { "it has no settings".into() } else { format!("it takes {}", names.join(", ")) };
        return Err(
            Refusal::call(format!("{} has no setting \"{}\"", method.name(), name.escape_default())).hint(takes)
        );
    }
    let find = |name: &str| controls.iter().find(|c| c.name == name);
    let number = |name: &str| -> Result<Option<f64>, Refusal> {
        let Some(control) = find(name) else { return Ok(None) };
        let (min, max) = (control.min.unwrap_or(f64::MIN), control.max.unwrap_or(f64::MAX));
        match sent.get(name) {
            None => Ok(control.usual),
            Some(Value::Number(v)) if (min..=max).contains(v) => Ok(Some(*v)),
            Some(_) => Err(Refusal::call(format!("{name}: must be a number from {min} to {max}"))),
        }
    };
    let length = |name: &str| number(name).map(|v| v.map(Length::px));
    let average = match (find("average"), sent.get("average")) {
        (None, _) | (_, None) => None,
        (_, Some(Value::Choice(c))) if c == "mean" => Some(Average::Mean),
        (_, Some(Value::Choice(c))) if c == "median" => Some(Average::Median),
        _ => return Err(Refusal::call("average: must be \"mean\" or \"median\"")),
    };
    let annulus = match (number("annulus_inner")?, number("annulus_outer")?) {
        // two sliders: whichever stands farther out is the outer one
        (Some(a), Some(b)) => {
            let (inner, outer) = if a <= b { (a, b) } else { (b, a) };
            vec![Length::px(inner), Length::px(if outer > inner { outer } else { inner + 1.0 })]
        }
        _ => Vec::new(),
    };
    let scales = match number("first_scale")? {
        Some(first) => (0..4).map(|octave| Length::px(first * f64::from(1 << octave))).collect(),
        None => Vec::new(),
    };
    let gains =
        ["gain_1", "gain_2", "gain_3"].into_iter().filter_map(|g| number(g).transpose()).collect::<Result<_, _>>()?;
    Ok(Settings {
        rotation_deg: number("rotation_deg")?,
        shift: length("shift")?,
        average,
        ring: length("ring")?,
        low: number("low")?,
        high: number("high")?,
        scale: length("scale")?,
        base: length("base")?,
        growth: number("growth")?,
        exponent: number("exponent")?,
        scales,
        gains,
        against: None,
        annulus,
        least: None,
    })
}

/// An annulus that a grid can show: no nearer to the nucleus than half of its pixels, and some of them wide.
///
/// # Errors
/// When the grid's scale is not known.
pub fn shown_on(annulus: &[Length], scale: &PixelScale) -> Result<Vec<Length>, Failure> {
    const LEAST_PX: (f64, f64) = (0.5, 4.0);
    let [inner, outer] = annulus else { return Ok(annulus.to_vec()) };
    let inner_px = scale.px(*inner, "annulus")?.max(LEAST_PX.0);
    Ok(vec![Length::px(inner_px), Length::px(scale.px(*outer, "annulus")?.max(inner_px + LEAST_PX.1))])
}

/// One of its kind, for what is said of all of them.
fn example(method: Method) -> Result<Enhancement, ComaError> {
    let ring_width_px = 1.0;
    let rings = RingConfig { statistic: Statistic::Median, ring_width_px };
    Ok(match method {
        Method::RotationalGradient => {
            Enhancement::RotationalGradient(GradientConfig { rotation_deg: 25.0, radial_shift_px: 0.0 })
        }
        Method::AzimuthalDivision => Enhancement::DivideByAverage(rings),
        Method::AzimuthalSubtraction => Enhancement::SubtractAverage(rings),
        Method::RingStretch => {
            Enhancement::StretchRings(StretchConfig { low_percent: 0.0, high_percent: 100.0, ring_width_px })
        }
        Method::RingStandardisation => Enhancement::StandardiseRings { ring_width_px },
        Method::InverseRadius => Enhancement::DivideByInverseRadius,
        Method::PowerLawDivision => {
            Enhancement::DivideByProfile(RadialProfile::from_table(&[1.0, 2.0, 4.0, 8.0], &[1.0, 0.5, 0.25, 0.125])?)
        }
        Method::VariableHighPass => {
            Enhancement::VariableHighPass(ScaleLaw { base_px: 1.0, growth: 0.05, exponent: 1.0 })
        }
        Method::Laplacian => Enhancement::Laplacian { sigma_px: 3.0 },
        Method::UnsharpRatio => Enhancement::UnsharpRatio { sigma_px: 5.0 },
        Method::MultiScale => Enhancement::MultiScaleResidual(BandConfig::default()),
        Method::TemporalRatio => Enhancement::TemporalRatio {
            reference: fanlight_image::Image::default(),
            config: RatioConfig { inner_px: 3.0, outer_px: 40.0, min_signal: 1.0 },
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_annulus_too_narrow_for_a_coarse_level_is_as_wide_as_that_can_show() {
        let shown = |inner: f64, outer: f64| {
            shown_on(&[Length::px(inner), Length::px(outer)], &PixelScale::default()).map_err(|e| e.message).unwrap()
        };
        assert_eq!(shown(0.25, 1.0), [Length::px(0.5), Length::px(4.5)]);
        assert_eq!(shown(3.0, 40.0), [Length::px(3.0), Length::px(40.0)]);
        assert!(shown_on(&[], &PixelScale::default()).map_err(|e| e.message).unwrap().is_empty());
    }
}
