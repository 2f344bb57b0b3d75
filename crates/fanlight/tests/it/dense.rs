//! A comet among the stars of the Milky Way: what they leave in an aperture is in the magnitude's error, and said.

use crate::truth;
use fanlight_sim::Scenario;
use fanlight_sim::scenario::NearStarKeys;

/// The first night of the dense fields, in frames of half their area.
fn night() -> Scenario {
    let mut s = truth::dense(1);
    (s.camera.width_px, s.camera.height_px) = (448, 448);
    s.n_frames = 6;
    s
}

fn measured(scenario: &Scenario) -> (Vec<truth::Sample>, Vec<String>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let outcome = truth::measure(scenario, folder.path());
    let light = outcome.samples.expect("a measured night").into_iter().filter(|s| s.quantity.starts_with("light in"));
    (light.collect(), outcome.notes)
}

#[test]
fn light_among_many_stars_is_true_within_its_error() {
    let (light, _) = measured(&night());
    assert_eq!(light.len(), 3);
    for sample in &light {
        let sigma = sample.sigma.expect("an error");
        assert!(sample.off.abs() < 3.5 * sigma && sigma < 5.0, "{sample:?}");
    }
}

/// A star brighter than the comet stands on the nucleus all night, and hides it: notes name the star and say that the comet was
/// not found, and no magnitude is given for what no pixel shows.
#[test]
fn a_bright_star_over_the_nucleus_costs_the_magnitudes_and_is_told() {
    let mut s = night();
    s.comet.afrho_cm = 300.0;
    s.stars.star_near_nucleus = Some(NearStarKeys { mag: 12.5, distance_arcsec: 1.5, pa_deg: 40.0 });
    let (with_star, notes) = measured(&s);
    assert!(with_star.is_empty(), "{with_star:?}");
    assert!(notes.iter().any(|n| n.starts_with("No pixel shows the comet's centre")), "{notes:#?}");
    assert!(notes.iter().any(|n| n.starts_with("The comet was not found")), "{notes:#?}");
    let warning = notes.iter().find(|n| n.starts_with("Stars in the aperture of"));
    assert!(warning.is_some_and(|w| w.contains("a star of magnitude 12.")), "{notes:#?}");
}
