//! `fanlight night`: from a folder of raw frames to a measured stack, a record and a page.

pub mod bright_stars;
pub mod camera;
pub mod checks;
pub mod circumstances;
pub mod colour;
pub mod combine;
pub mod conditions;
pub mod dust;
pub mod excess;
pub mod expected;
pub mod extinction;
pub mod field;
pub mod finished;
pub mod first_pass;
pub mod foreign_light;
pub mod frame_pixels;
pub mod history;
pub mod inputs;
pub mod judge;
pub mod kept;
pub mod light;
pub mod line_noise;
pub mod masters;
pub mod measure_stack;
pub mod motion;
pub mod moving;
pub mod notes;
pub mod offset;
pub mod passing_stars;
pub mod photometry;
pub mod plan;
pub mod products;
pub mod ready_made;
pub mod record;
pub mod reduce;
pub mod second_pass;
pub mod select;
pub mod solve;
pub mod stack_noise;
pub mod star_stack;
pub mod structure;
pub mod tie;
pub mod unchanged;
pub mod weights;
pub mod widths;
pub mod window;
pub mod wings;

use crate::ledger::entry;
use crate::{Failure, geometry, messages};
use colour::OtherBand;
use fanlight_coma::register::Offset;
use fanlight_coma::zero_point::{FrameZeroPoint, NightZeroPoint, Standard};
use fanlight_io::{Campaign, FrameList, OutputFolder};
use fanlight_record::NightRecord;
use fanlight_sky::UtcInstant;
use first_pass::FirstLook;
use inputs::Inputs;
use notes::Notes;
use std::path::{Path, PathBuf};

/// What to reduce, by which campaign, and where to.
#[derive(Debug, Clone)]
pub struct Options {
    /// Folder with the frames, or one ready-made stack.
    pub frames_dir: PathBuf,
    /// The campaign file.
    pub campaign: PathBuf,
    /// Folder for the products.
    pub out: PathBuf,
    /// Folder of the same comet's night in another band, for its colour.
    pub other_band: Option<PathBuf>,
    /// Which of the frames.
    pub choice: select::Choice,
    /// Whether an earlier run's inputs and products are compared by their contents instead of by size and time of change.
    pub verify: bool,
    /// The ledger that earlier nights are looked up in.
    pub ledger: entry::Choice,
}

impl Options {
    /// Whether a ready-made stack is measured instead of a folder of frames.
    pub fn is_stack(&self) -> bool {
        self.frames_dir.is_file()
    }

    /// Refuses a call that names neither, or says of a folder what only a stack needs.
    fn frames_must_exist(&self) -> Result<(), Failure> {
        let path = &self.frames_dir;
        if path.is_dir() && self.choice.north_pa_deg.is_some() {
            return Err(Failure::call(
                "--north-pa is for a ready-made stack that cannot be solved, not for a folder of frames",
            )
            .hint("frames are solved against the catalogue; leave it out"));
        }
        if self.choice.north_pa_deg.is_some_and(|pa| !pa.is_finite()) {
            return Err(Failure::call("--north-pa is not a number of degrees"));
        }
        match path.is_dir() || path.is_file() {
            true => Ok(()),
            false => Err(Failure::call(format!("{} is not a folder of frames, nor a stack", path.display()))),
        }
    }

    /// The call as it would be typed, for the record.
    pub fn as_typed(&self) -> String {
        let quoted = |p: &Path| format!("\"{}\"", p.display());
        format!(
            "fanlight night {} --campaign {} --out {}{}{}",
            quoted(&self.frames_dir),
            quoted(&self.campaign),
            quoted(&self.out),
            self.other_band.as_ref().map(|p| format!(" --other-band {}", quoted(p))).unwrap_or_default(),
            self.choice.as_typed()
        )
    }
}

/// What a run reads first, once: the campaign file, and which files the folder of frames holds.
pub struct Sources {
    /// The campaign.
    pub campaign: Campaign,
    /// The folder's files; `None` of a ready-made stack.
    pub frames: Option<FrameList>,
    /// The other band's night.
    pub other_band: Option<OtherBand>,
}

impl Sources {
    /// Reads the campaign file and lists the folder.
    ///
    /// # Errors
    /// When either cannot be read.
    pub fn open(options: &Options) -> Result<Self, Failure> {
        let campaign = geometry::load_campaign(&options.campaign)?;
        dust::check_phase_function(&campaign)?;
        options.frames_must_exist()?;
        let list = || fanlight_io::list_frames(&options.frames_dir).map_err(Failure::data);
        let frames = if options.is_stack() { None } else { Some(list()?) };
        let other_band = options.other_band.as_ref().map(|o| OtherBand::open(o, &campaign)).transpose()?;
        Ok(Self { campaign, frames, other_band })
    }
}

/// Runs the command, records the night in the ledger and says where the page is.
///
/// # Errors
/// When the data or the campaign do not allow the job.
pub fn command(options: &Options) -> Result<(), Failure> {
    let record = run(options)?;
    say_notes(&record);
    // last, when the record is in place: a night that was killed before is recorded by the next call
    entry::record_finished(&options.out, &options.campaign, &options.ledger);
    let page = options.out.join(products::PAGE);
    messages::tell(&format!("{}\nPage: {}", record.summary, page.display()))
}

/// A record's warnings on standard error, its plain notes among the steps of a verbose run. The one about people's safety
/// was said before any work.
fn say_notes(record: &NightRecord) {
    let (warnings, plain) = record.notes.split_at(record.n_warnings.min(record.notes.len()));
    let said = fanlight_sky::sun_warning(record.geometry.elongation_deg).map(|w| record::sentence(&w));
    warnings.iter().filter(|w| Some(*w) != said.as_ref()).for_each(|w| messages::warn(w));
    plain.iter().for_each(|n| tracing::info!("{n}"));
}

/// Everything between the frames and the products.
pub struct Night {
    /// The campaign.
    pub campaign: Campaign,
    /// The frames as sorted.
    pub inputs: Inputs,
    /// What each usable light showed, in order of time.
    pub looks: Vec<FirstLook>,
    /// Per look: why it is not in the stack.
    pub rejected: Vec<Option<String>>,
    /// Per look: zero point.
    pub zero_points: Vec<Option<FrameZeroPoint>>,
    /// The night's photometric solution, where there is one.
    pub solution: Option<NightZeroPoint>,
    /// The catalogue stars of the solution.
    pub standards: Vec<Standard>,
    /// The colour that the zero points are for.
    pub colour: Option<Colour>,
    /// How much each look counts.
    pub weights: weights::Weights,
    /// Per look: heights of comet, Sun and Moon.
    pub circumstances: Vec<Option<circumstances::Circumstances>>,
    /// Per look: a star beside the nucleus.
    pub near_stars: Vec<Option<fanlight_record::NearStarRecord>>,
    /// Per look: its sub-stack, counted from 1; absent where it is not in the stack.
    pub substacks: Vec<Option<usize>>,
    /// Magnitude of 1 e⁻/s in the stack.
    pub stack_zero_point_mag: Option<f64>,
    /// The night's offset from the ephemeris, where the comet was found.
    pub offset: Option<Offset>,
    /// Exposure-weighted mean of the mid-times of the frames in the stack.
    pub mid: UtcInstant,
    /// The measured stack.
    pub stack: measure_stack::MeasuredStack,
    /// Calibration frames that are missing.
    pub missing: Missing,
    /// Position angles, modulo 180°, of the rays of bright stars, where they were measured.
    pub rays_pa_deg: Vec<f64>,
    /// What the brightest stars may leave in the stack.
    pub star_leftovers: Vec<fanlight_coma::evidence::bright_stars::StarLeftover>,
    /// Whether the frames say that a program made them.
    pub simulated: bool,
    /// The same comet's night in another band.
    pub other_band: Option<OtherBand>,
    /// Error of the catalogue's band itself, where its magnitudes had to be transformed.
    pub band_sigma_mag: f64,
    /// Sentences for the record.
    pub notes: Notes,
}

/// Which calibration frames a night lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Missing {
    /// Neither bias nor dark frames nor overscan: the camera's offset was not taken off.
    pub offset: bool,
    /// No flat frames: the response was taken to be even.
    pub flat: bool,
}

/// A colour index and the value assumed for the comet.
#[derive(Debug, Clone, PartialEq)]
pub struct Colour {
    /// Its name, such as `g-r`.
    pub name: String,
    /// The Sun's.
    pub solar_mag: f64,
}

/// The whole job; the products stand in the output folder when it returns. Where an earlier run of the same call left
/// them there, and nothing that it read has changed, they stay as they are.
///
/// # Errors
/// When the data or the campaign do not allow the job.
pub fn run(options: &Options) -> Result<NightRecord, Failure> {
    let sources = Sources::open(options)?;
    let inputs = unchanged::input_files(options, &sources);
    let stands = |record: &NightRecord| history::is_as_it_was(record, &sources.campaign, &options.ledger);
    if let Some(record) = unchanged::earlier_record(options, &inputs).filter(stands) {
        tracing::info!("nothing has changed since the products were made; they stay as they are");
        reduce::warn_near_sun(record.geometry.elongation_deg);
        return Ok(record);
    }
    let before = unchanged::stamps(&inputs);
    let reduced = reduce::reduce(options, sources, &options.out)?;
    let folder = OutputFolder::create_or_open(&options.out).map_err(Failure::data)?;
    tracing::info!("record made");
    crate::stop::no_more();
    let products = products::write(&reduced, &folder)?;
    unchanged::remember(options, before, &reduced.record, &products, &folder)?;
    tracing::info!("products written");
    Ok(reduced.record)
}
