//! A measured night as ADES records.

use super::codes::band_code;
use super::designation::{Identification, identify, stated};
use super::{Block, Group, Record, Violation};
use crate::sentences::{NOISE_TERM, headline_aperture, median, median_seeing_arcsec};
use crate::{FrameRecord, NightRecord, PhotometryRecord, ReportingRecord, SolutionRecord};

/// Which places of a night are reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Positions {
    /// One record for each frame in the stack on which the comet was measured by itself.
    Frames,
    /// One record for the night: the place of all its frames together, with the magnitude in one aperture.
    Night,
}

/// What is reported of a night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Selection {
    /// Which places.
    pub positions: Positions,
    /// Radius at the comet of the aperture whose magnitude goes with the night's place; that which summaries quote where
    /// it is not given.
    pub aperture_km: Option<f64>,
}

/// The ADES block of a night. What the night or its campaign file does not give is left out of it; the file's
/// violations then say so.
pub fn block_of_night(night: &NightRecord, selection: &Selection) -> Block {
    let reporting = night.setup.reporting.clone().unwrap_or_default();
    let common = Common { night, id: identification(night, &reporting), reporting: &reporting };
    let records: Vec<Record> = match selection.positions {
        Positions::Frames => night.frames.iter().filter(|f| f.used).filter_map(|f| common.of_frame(f)).collect(),
        Positions::Night => common.of_night(selection.aperture_km).into_iter().collect(),
    };
    let mut refused = Vec::new();
    let whole = |problem: &str| Violation::new("", problem, &format!("night {}", night.mid_utc));
    if night.setup.simulated {
        refused.push(whole("the frames are simulated, and a simulated place must never be reported"));
    }
    if records.is_empty() {
        refused.push(whole(match selection.positions {
            Positions::Frames => "the comet was not measured on any single frame; --positions night may still have it",
            Positions::Night => "the comet's place was not measured",
        }));
    }
    Block { header: header(night, &reporting), records, refused }
}

fn identification(night: &NightRecord, reporting: &ReportingRecord) -> Option<Identification> {
    reporting.ades_id.as_deref().map(stated).or_else(|| identify(&night.object))
}

fn header(night: &NightRecord, reporting: &ReportingRecord) -> Vec<Group> {
    let line = |key: &'static str, value: &Option<String>| value.clone().map(|v| (key, v));
    let names = |names: &[String]| names.iter().map(|n| ("name", n.clone())).collect::<Vec<_>>();
    let number = |key: &'static str, value: Option<f64>| value.map(|v| (key, v.to_string()));
    let measurers = if reporting.measurers.is_empty() { &night.setup.observers } else { &reporting.measurers };
    let telescope = [
        line("name", &night.setup.telescope),
        line("design", &reporting.design),
        number("aperture", reporting.aperture_m),
        line("detector", &reporting.detector),
        number("fRatio", reporting.f_ratio),
    ];
    let observatory = [line("mpcCode", &reporting.mpc_code), line("name", &night.setup.site)];
    let groups = [
        ("observatory", observatory.into_iter().flatten().collect()),
        ("submitter", line("name", &reporting.submitter).into_iter().collect()),
        ("observers", names(&night.setup.observers)),
        ("measurers", names(measurers)),
        ("telescope", telescope.into_iter().flatten().collect()),
        ("comment", vec![("line", format!("Measured with {}.", night.provenance.program))]),
    ];
    groups.into_iter().map(|(name, lines)| Group { name, lines }).filter(|g| !g.lines.is_empty()).collect()
}

/// What all records of a night share.
struct Common<'a> {
    night: &'a NightRecord,
    id: Option<Identification>,
    reporting: &'a ReportingRecord,
}

/// A place with its errors.
struct Place {
    ra_deg: f64,
    dec_deg: f64,
    /// Along right ascension (times cos δ) and declination.
    err_arcsec: [f64; 2],
    correlation: Option<f64>,
}

impl Common<'_> {
    fn of_frame(&self, frame: &FrameRecord) -> Option<Record> {
        let place = Place {
            ra_deg: frame.comet_ra_deg?,
            dec_deg: frame.comet_dec_deg?,
            err_arcsec: [frame.comet_err_arcsec?; 2],
            correlation: None,
        };
        let mut fields = self.start(frame.mid_utc.as_deref()?, &place);
        let mut add = |field, value: Option<String>| fields.extend(value.map(|v| (field, v)));
        add("seeing", frame.fwhm_arcsec.map(hundredths));
        add("exp", frame.exposure_s.map(thousandths));
        add("rmsFit", frame.solution.as_ref().map(|s| with_error_digits(s.rms_arcsec)));
        add("nStars", frame.solution.as_ref().map(|s| s.stars.to_string()));
        let mut notes = self.notes("");
        if frame.star_near_nucleus.is_some() {
            notes.push('I');
        }
        add("notes", Some(notes).filter(|n| !n.is_empty()));
        Some(Record { from: frame.file.clone(), fields })
    }

    fn of_night(&self, aperture_km: Option<f64>) -> Option<Record> {
        let night = self.night;
        let a = night.astrometry.as_ref()?;
        let place = Place {
            ra_deg: a.ra_deg,
            dec_deg: a.dec_deg,
            err_arcsec: a.err_ra_dec_arcsec.unwrap_or([a.err_arcsec; 2]),
            correlation: a.err_correlation,
        };
        let mut fields = self.start(&a.mid_utc, &place);
        let light = match aperture_km {
            Some(km) => night.photometry.iter().find(|p| p.is_of_radius(km)),
            None => headline_aperture(night),
        };
        fields.extend(light.map(|p| self.magnitude(p)).unwrap_or_default());
        fields.extend(median_seeing_arcsec(night).map(|v| ("seeing", hundredths(v))));
        fields.push(("exp", thousandths(night.stack.exposure_s)));
        // the stack has no solution of its own: it is laid by those of its frames
        let of_solutions = |value: fn(&SolutionRecord) -> f64| {
            let used = night.frames.iter().filter(|f| f.used);
            median(used.filter_map(|f| f.solution.as_ref()).map(value).collect())
        };
        fields.extend(of_solutions(|s| s.rms_arcsec).map(|rms| ("rmsFit", with_error_digits(rms))));
        fields.extend(of_solutions(|s| s.stars as f64).map(|n| ("nStars", format!("{:.0}", n.floor()))));
        fields.push(("notes", self.notes("K")));
        Some(Record { from: format!("night {}", night.mid_utc), fields })
    }

    /// Fields from the identification to the catalogue of the place.
    fn start(&self, utc: &str, place: &Place) -> Vec<(&'static str, String)> {
        let mut fields = Vec::new();
        fields.extend(self.id.as_ref().map(|id| match id {
            Identification::Permanent(id) => ("permID", id.clone()),
            Identification::Provisional(id) => ("provID", id.clone()),
            Identification::Tracklet(id) => ("trkSub", id.clone()),
        }));
        fields.extend(self.reporting.detector.clone().map(|d| ("mode", d)));
        fields.extend(self.reporting.mpc_code.clone().map(|c| ("stn", c)));
        fields.push(("obsTime", utc.to_owned()));
        fields.extend(self.reporting.clock_err_s.map(|s| ("rmsTime", with_error_digits(s))));
        let [err_ra, err_dec] = place.err_arcsec;
        let ra_digits = decimals(err_ra / 3600.0 / place.dec_deg.to_radians().cos());
        fields.push(("ra", right_ascension(place.ra_deg, ra_digits)));
        fields.push(("dec", format!("{:.*}", decimals(err_dec / 3600.0), place.dec_deg)));
        fields.extend([("rmsRA", with_error_digits(err_ra)), ("rmsDec", with_error_digits(err_dec))]);
        // as many digits as the standard's example; adding zero takes the sign off a zero
        fields.extend(place.correlation.map(|c| ("rmsCorr", format!("{:.3}", (1e3 * c).round() / 1e3 + 0.0))));
        fields.extend(self.reporting.catalogue_code.clone().map(|c| ("astCat", c)));
        fields
    }

    /// The magnitude in an aperture; nothing where it was not measured.
    fn magnitude(&self, light: &PhotometryRecord) -> Vec<(&'static str, String)> {
        let (Some(mag), Some(err)) = (light.mag, light.mag_err) else { return Vec::new() };
        let mut fields = vec![("mag", format!("{mag:.*}", decimals(err))), ("rmsMag", with_error_digits(err))];
        // a band without a code keeps its name, so that the check can name it
        fields.push(("band", band_code(&light.band).unwrap_or(&light.band).to_owned()));
        fields.extend(self.reporting.filter_code.clone().map(|c| ("fltr", c)));
        fields.extend(self.reporting.catalogue_code.clone().map(|c| ("photCat", c)));
        fields.push(("photAp", hundredths(light.aperture_arcsec)));
        fields.extend(signal_to_noise(light).map(|ratio| ("logSNR", hundredths(ratio.log10()))));
        fields
    }

    /// Letters of the standard's notes: `K` stacked, `m` tracked on the object's motion.
    fn notes(&self, start: &str) -> String {
        let follows_comet = self.reporting.tracking.as_deref() == Some("comet");
        format!("{start}{}", if follows_comet { "m" } else { "" })
    }
}

/// Light in an aperture over its photon and read noise.
fn signal_to_noise(light: &PhotometryRecord) -> Option<f64> {
    let noise_mag = light.error_terms_mag.iter().find(|t| t.name == NOISE_TERM)?.mag;
    Some(2.5 / std::f64::consts::LN_10 / noise_mag).filter(|ratio| ratio.is_finite() && *ratio > 0.0)
}

/// Most decimals that the standard allows an angle.
const MOST_DECIMALS: f64 = 9.0;

/// Digits after the point of a value with this error.
///
/// # Source
/// ADES, concise description: ⌈1 − log10 σ⌉, two digits of the error.
fn decimals(sigma: f64) -> usize {
    (1.0 - sigma.log10()).ceil().clamp(0.0, MOST_DECIMALS) as usize
}

fn with_error_digits(sigma: f64) -> String {
    format!("{sigma:.*}", decimals(sigma))
}

/// Right ascension that rounding does not carry to 360°.
fn right_ascension(ra_deg: f64, digits: usize) -> String {
    let text = format!("{ra_deg:.digits$}");
    if text.starts_with("360") { format!("{:.digits$}", 0.0) } else { text }
}

fn hundredths(value: f64) -> String {
    format!("{value:.2}")
}

/// At most three decimals, without zeros at the end.
fn thousandths(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::super::AdesFile;
    use super::*;
    use crate::{ErrorTerm, NearStarRecord};

    /// A night that was measured and whose campaign file says all.
    fn night() -> NightRecord {
        let mut night = crate::sentences::tests::night();
        night.setup.observers = vec!["C. Lindqvist".into(), "D. Moreau".into()];
        night.setup.site = Some("Larkhill Ridge".into());
        night.setup.reporting = Some(ReportingRecord {
            mpc_code: Some("Z99".into()),
            submitter: Some("C. Lindqvist".into()),
            measurers: Vec::new(),
            design: Some("reflector".into()),
            aperture_m: Some(0.4),
            f_ratio: Some(4.5),
            detector: Some("CMO".into()),
            tracking: None,
            catalogue_code: Some("Gaia3E".into()),
            ..ReportingRecord::default()
        });
        for (i, frame) in night.frames.iter_mut().enumerate() {
            frame.comet_ra_deg = Some(10.001_234_56 + 0.001 * i as f64);
            frame.comet_dec_deg = Some(-20.002_345_67);
            frame.comet_err_arcsec = Some(0.21);
            frame.solution = Some(SolutionRecord {
                stars: 41,
                rms_arcsec: 0.163,
                log10_odds: 20.0,
                comet_err_arcsec: 0.03,
                distortion_order: None,
            });
        }
        night
    }

    fn file(night: &NightRecord, positions: Positions) -> AdesFile {
        AdesFile::new(vec![block_of_night(night, &Selection { positions, aperture_km: None })])
    }

    fn field<'a>(file: &'a AdesFile, record: usize, name: &str) -> Option<&'a str> {
        let fields = &file.blocks[0].records[record].fields;
        fields.iter().find(|(f, _)| *f == name).map(|(_, v)| v.as_str())
    }

    #[test]
    fn frames_in_the_stack_are_reported_one_by_one() {
        let mut night = night();
        night.frames[1].star_near_nucleus = Some(NearStarRecord { mag: 15.0, distance_arcsec: 1.0, light_share: 0.1 });
        let file = file(&night, Positions::Frames);
        assert_eq!(file.violations(), []);
        assert_eq!(file.blocks[0].records.len(), 3, "the frame that was left out is not reported");
        for (name, value) in [
            ("provID", "C/2031 Z2"),
            ("mode", "CMO"),
            ("stn", "Z99"),
            ("obsTime", "2031-03-04T21:10:00.000Z"),
            // 0.21″ are 5.8e-5°: six digits; along right ascension 6.2e-5°
            ("ra", "10.001235"),
            ("dec", "-20.002346"),
            ("rmsRA", "0.21"),
            ("rmsDec", "0.21"),
            ("astCat", "Gaia3E"),
            ("seeing", "2.50"),
            ("exp", "60"),
            ("rmsFit", "0.16"),
            ("nStars", "41"),
        ] {
            assert_eq!(field(&file, 0, name), Some(value), "{name}");
        }
        for none in ["mag", "band", "fltr", "logSNR", "notes", "trkSub", "permID", "rmsTime", "rmsCorr"] {
            assert_eq!(field(&file, 0, none), None, "{none}");
        }
        assert_eq!(field(&file, 1, "notes"), Some("I"));
    }

    #[test]
    fn the_night_is_one_stacked_record_with_the_magnitude_of_an_aperture() {
        let mut night = night();
        night.setup.reporting.as_mut().unwrap().tracking = Some("comet".into());
        let whole = file(&night, Positions::Night);
        assert_eq!(whole.violations(), []);
        for (name, value) in [
            ("mag", "15.200"),
            ("rmsMag", "0.041"),
            ("band", "Sr"),
            ("photCat", "Gaia3E"),
            ("photAp", "15.32"),
            ("exp", "180"),
            ("notes", "Km"),
            ("rmsRA", "0.10"),
        ] {
            assert_eq!(field(&whole, 0, name), Some(value), "{name}");
        }
        let of = |km| {
            let selection = Selection { positions: Positions::Night, aperture_km: Some(km) };
            AdesFile::new(vec![block_of_night(&night, &selection)])
        };
        assert_eq!(field(&of(20_000.0), 0, "mag"), Some("14.200"));
        night.photometry.iter_mut().for_each(|p| p.mag = None);
        let without = file(&night, Positions::Night);
        assert_eq!((field(&without, 0, "mag"), without.violations()), (None, vec![]));
    }

    #[test]
    fn the_night_says_how_well_its_frames_were_tied() {
        let mut night = night();
        for (i, frame) in night.frames.iter_mut().enumerate() {
            let solution = frame.solution.as_mut().unwrap();
            (solution.stars, solution.rms_arcsec) = ([41, 45, 7, 50][i], [0.16, 0.2, 9.0, 0.31][i]);
        }
        let whole = file(&night, Positions::Night);
        assert_eq!(whole.violations(), []);
        // the frame that was left out, with 7 stars, does not count
        assert_eq!((field(&whole, 0, "rmsFit"), field(&whole, 0, "nStars")), (Some("0.20"), Some("45")));
        night.frames[1].used = false;
        let whole = file(&night, Positions::Night);
        assert_eq!((field(&whole, 0, "rmsFit"), field(&whole, 0, "nStars")), (Some("0.23"), Some("45")), "41 and 50");
        night.frames.iter_mut().for_each(|f| f.solution = None);
        let whole = file(&night, Positions::Night);
        assert_eq!((field(&whole, 0, "rmsFit"), field(&whole, 0, "nStars")), (None, None));
    }

    #[test]
    fn errors_that_differ_per_axis_are_reported_with_their_correlation() {
        let mut night = night();
        let place = night.astrometry.as_mut().unwrap();
        place.err_ra_dec_arcsec = Some([0.25, 0.04]);
        place.err_correlation = Some(-0.2154);
        let whole = file(&night, Positions::Night);
        assert_eq!(whole.violations(), []);
        // 0.25″ are 6.9e-5°, 0.04″ 1.1e-5°
        for (name, value) in
            [("ra", "10.000000"), ("dec", "20.000000"), ("rmsRA", "0.25"), ("rmsDec", "0.040"), ("rmsCorr", "-0.215")]
        {
            assert_eq!(field(&whole, 0, name), Some(value), "{name}");
        }
        night.astrometry.as_mut().unwrap().err_correlation = Some(-0.0001);
        assert_eq!(field(&file(&night, Positions::Night), 0, "rmsCorr"), Some("0.000"));
    }

    /// The light's noise alone: errors of the zero point or the sky's level are no noise of the source.
    #[test]
    fn the_signal_to_noise_is_that_of_the_reported_aperture() {
        let mut night = night();
        assert_eq!(field(&file(&night, Positions::Night), 0, "logSNR"), None, "the record does not give the noise");
        for light in &mut night.photometry {
            let term = |name: &str, mag| ErrorTerm { name: name.into(), mag };
            light.error_terms_mag = vec![term("zero point", 0.3), term(NOISE_TERM, 0.010_857_4)];
        }
        let whole = file(&night, Positions::Night);
        assert_eq!((field(&whole, 0, "logSNR"), whole.violations()), (Some("2.00"), vec![]), "one per cent of noise");
        night.photometry.iter_mut().for_each(|p| p.mag = None);
        assert_eq!(field(&file(&night, Positions::Night), 0, "logSNR"), None, "without an aperture it says nothing");
    }

    #[test]
    fn the_clock_and_the_filter_are_reported_where_they_are_stated() {
        let mut night = night();
        let reporting = night.setup.reporting.as_mut().unwrap();
        (reporting.clock_err_s, reporting.filter_code) = (Some(0.05), Some("Rc".into()));
        for positions in [Positions::Frames, Positions::Night] {
            let file = file(&night, positions);
            assert_eq!(file.violations(), []);
            assert_eq!(field(&file, 0, "rmsTime"), Some("0.050"));
            let filter = (positions == Positions::Night).then_some("Rc");
            assert_eq!(field(&file, 0, "fltr"), filter, "beside a magnitude only");
        }
        night.setup.reporting.as_mut().unwrap().filter_code = Some("red".into());
        let found = file(&night, Positions::Night).violations();
        assert!(found.len() == 1 && found[0].remedy.contains("photometry.filter_code"), "{found:?}");
    }

    #[test]
    fn names_and_codes_of_example_files_are_not_reported() {
        let mut night = night();
        night.setup.observers = vec!["A. Observer".into()];
        (night.setup.site, night.setup.telescope) = (Some("my observatory".into()), Some("my telescope".into()));
        let reporting = night.setup.reporting.as_mut().unwrap();
        (reporting.mpc_code, reporting.submitter) = (Some("xxx".into()), Some("A. Observer".into()));
        let found = file(&night, Positions::Frames).violations();
        for (field, problem, key) in [
            ("mpcCode", "is \"xxx\", which stands for a code that was never given", "observer.mpc_code"),
            ("stn", "is \"xxx\", which stands for a code that was never given", "observer.mpc_code"),
            ("submitter", "is \"A. Observer\", which stands for a name", "observer.submitter"),
            ("observers", "is \"A. Observer\", which stands for a name", "observer.names"),
            ("measurers", "is \"A. Observer\", which stands for a name", "observer.measurers"),
            ("observatory", "is \"my observatory\", which stands for a name", "site.name"),
            ("telescope", "is \"my telescope\", which stands for a name", "telescope.name"),
        ] {
            let violation = found.iter().find(|v| v.field == field).unwrap_or_else(|| panic!("{field}: {found:?}"));
            assert!(violation.problem.starts_with(problem) && violation.remedy.contains(key), "{violation:?}");
        }
        assert_eq!(found.len(), 7, "{found:?}");
    }

    #[test]
    fn what_is_missing_is_named_with_its_key() {
        let mut night = night();
        night.object = "my comet".into();
        night.setup.reporting = None;
        night.setup.observers.clear();
        let found = file(&night, Positions::Night).violations();
        for (field, key) in [
            ("permID", "object.ades_id"),
            ("stn", "observer.mpc_code"),
            ("mpcCode", "observer.mpc_code"),
            ("mode", "telescope.detector"),
            ("astCat", "photometry.catalogue_code"),
            ("submitter", "observer.submitter"),
            ("measurers", "observer.names"),
            ("design", "telescope.design"),
        ] {
            let violation = found.iter().find(|v| v.field == field).unwrap_or_else(|| panic!("{field}: {found:?}"));
            assert!(violation.remedy.contains(key), "{violation:?}");
        }
    }

    #[test]
    fn simulated_nights_and_nights_without_a_place_are_refused() {
        let mut night = night();
        night.setup.simulated = true;
        assert!(file(&night, Positions::Night).violations()[0].problem.contains("simulated"));
        night.setup.simulated = false;
        night.astrometry = None;
        let found = file(&night, Positions::Night).violations();
        assert!(found.iter().any(|v| v.problem.contains("place was not measured")), "{found:?}");
        night.frames.iter_mut().for_each(|f| f.comet_ra_deg = None);
        let found = file(&night, Positions::Frames).violations();
        assert!(found.iter().any(|v| v.problem.contains("--positions night")), "{found:?}");
    }

    #[test]
    fn an_own_identification_and_a_band_without_a_code() {
        let mut night = night();
        let set = |night: &mut NightRecord, id: &str| {
            night.setup.reporting.as_mut().unwrap().ades_id = Some(id.into());
        };
        set(&mut night, "new_1");
        assert_eq!(field(&file(&night, Positions::Night), 0, "trkSub"), Some("new_1"));
        set(&mut night, "73P-C");
        assert_eq!(field(&file(&night, Positions::Night), 0, "permID"), Some("73P-C"));
        set(&mut night, "far too long");
        assert_eq!(file(&night, Positions::Night).violations()[0].field, "trkSub");
        set(&mut night, "67P");
        night.photometry.iter_mut().for_each(|p| p.band = "green".into());
        let found = file(&night, Positions::Night).violations();
        assert!(found.len() == 1 && found[0].field == "band", "{found:?}");
        assert_eq!(file(&night, Positions::Frames).violations(), [], "frames report no magnitude");
    }

    /// Digits after the point as the standard's description has it.
    #[test]
    fn digits_follow_the_error() {
        for (sigma, expected) in [(0.25, 2), (0.04, 3), (0.1, 2), (0.015, 3), (1.0, 1), (5.0, 1), (25.0, 0), (0.0, 9)] {
            assert_eq!(decimals(sigma), expected, "{sigma}");
        }
        assert_eq!(right_ascension(359.999_999_9, 5), "0.00000");
        assert_eq!(right_ascension(359.9, 1), "359.9");
        assert_eq!(
            (thousandths(180.0), thousandths(0.5), thousandths(30.0)),
            ("180".into(), "0.5".into(), "30".into())
        );
    }
}
