//! Writing what the night gave: stacks, figures, page and record, each whole or not at all.

use super::Night;
use super::measure_stack::PAGE_GRADIENT;
use super::reduce::Reduced;
use super::star_stack::StarStacked;
use super::structure::{Structure, elongation_sigma};
use crate::Failure;
use crate::night::first_pass::StarGrid;
use fanlight_image::{Image, Mask};
use fanlight_io::{Card, CardValue, HduData, HduOut, OutputFolder};
use fanlight_present::{Figure, NightPictures, SkyPicture, StructurePictures};
use fanlight_record::NightRecord;
use fanlight_sky::{PixelXy, Wcs, WcsValue};
use rayon::prelude::*;

/// The page.
pub const PAGE: &str = "report.html";
/// The record.
pub const RECORD: &str = "night.json";
/// The comet-registered stack.
pub const COMET: &str = "comet.fits";
/// Its sub-stacks.
pub const SUBSTACKS: &str = "substacks.fits";
/// The star-registered stack.
const STARS: &str = "stars.fits";
/// Extension of the comet-registered stack with the variance that stars leave.
pub const STARS_LEFT: &str = "STARSLEFT";
/// Extension with the pixels in which the search for structure did not trust what stars left.
pub const STAR_MASK: &str = "STARMASK";
/// Its card of how much more variance a sum over many pixels has than the sum of the pixels' variances.
pub const NOISE_CARD: &str = "NOISECOR";
/// Its card of the relative error of the kernel's elongation.
pub const ELONGATION_CARD: &str = "ELONGERR";
/// Card of `comet.fits`: wings of the star images, Moffat's exponent.
pub const BETA_CARD: &str = "STARBETA";
/// The featureless twin, where structure was looked for.
pub const TWIN: &str = "twin.fits";
/// Its extension that holds the twin with noise: what a night is compared with by eye.
pub const NOISY_TWIN: &str = "REALISATION";
/// Resolution of the figures' raster version.
pub const PIXELS_PER_INCH: f64 = 300.0;

/// Writes everything; the record last, so that a record always has its products beside it. Returns the products' names.
///
/// # Errors
/// When a file cannot be written.
pub fn write(reduced: &Reduced, folder: &OutputFolder) -> Result<Vec<String>, Failure> {
    let Reduced { night, record, structure, stars, grid } = reduced;
    let (figures, panel) = figures(night, record, structure.as_ref())?;
    clear_earlier(&figures, folder)?;
    let stacks = || {
        write_comet(night, record, structure.as_ref(), folder)?;
        match structure {
            Some(structure) => write_twin(night, record, structure, folder)?,
            None => folder.remove(TWIN).map_err(Failure::data)?,
        }
        write_stars(record, stars, grid, folder)
    };
    let draw = || {
        let panel = panel.as_ref().map_or(Ok(()), |panel| write_panel(panel, folder));
        panel.and_then(|()| write_figures(&figures, folder, "figures/"))
    };
    let (written, drawn) = rayon::join(stacks, draw);
    written?;
    let twin = structure.iter().map(|_| TWIN).chain(panel.iter().flat_map(|_| PANEL));
    let mut names: Vec<String> = [COMET, SUBSTACKS, STARS].into_iter().chain(twin).map(str::to_string).collect();
    names.extend(drawn?);
    folder.write(PAGE, fanlight_present::night_page(record, &figures).as_bytes()).map_err(Failure::data)?;
    folder.write_json(RECORD, record).map_err(Failure::data)?;
    names.extend([PAGE.to_string(), RECORD.to_string()]);
    Ok(names)
}

/// Writes every figure in its light and dark version, names beginning with `prefix`; returns the files' names.
///
/// # Errors
/// When one cannot be drawn or written.
pub fn write_figures(figures: &[Figure], folder: &OutputFolder, prefix: &str) -> Result<Vec<String>, Failure> {
    let versions: Vec<(String, &str)> = figures
        .iter()
        .flat_map(|f| [(f.name.clone(), &*f.svg_light), (format!("{}-dark", f.name), &*f.svg_dark)])
        .collect();
    let written = versions.par_iter().with_max_len(1).map(|(name, svg)| {
        let png = fanlight_present::svg_to_png(svg, PIXELS_PER_INCH).map_err(Failure::data)?;
        let [vector, raster] = ["svg", "png"].map(|ending| format!("{prefix}{name}.{ending}"));
        folder.write(&vector, svg.as_bytes()).map_err(Failure::data)?;
        folder.write(&raster, &png).map_err(Failure::data)?;
        Ok([vector, raster])
    });
    Ok(written.collect::<Result<Vec<_>, Failure>>()?.concat())
}

/// The night in one picture, 1280 pixels wide.
const PANEL: [&str; 2] = ["tonight.svg", "tonight.png"];
/// Resolution at which the panel has its own size.
const PANEL_PIXELS_PER_INCH: f64 = 96.0;

fn write_panel(panel: &Figure, folder: &OutputFolder) -> Result<(), Failure> {
    let png = fanlight_present::svg_to_png(&panel.svg_dark, PANEL_PIXELS_PER_INCH).map_err(Failure::data)?;
    folder.write(PANEL[0], panel.svg_dark.as_bytes()).map_err(Failure::data)?;
    folder.write(PANEL[1], &png).map_err(Failure::data)
}

/// Figures that a run may make.
const FIGURES: [&str; 12] = [
    "light",
    "isophotes",
    "inverted",
    "gradient",
    "twin",
    "unrolled",
    "azimuthal",
    "profile",
    "growth",
    "zero-point",
    "frames",
    "orbit-plan",
];

/// Takes away what an earlier run left and this one will not replace: first of all its record, so that a record never
/// stands beside another run's products, however this run ends.
fn clear_earlier(figures: &[Figure], folder: &OutputFolder) -> Result<(), Failure> {
    super::unchanged::forget(folder)?;
    folder.remove(RECORD).map_err(Failure::data)?;
    folder.remove_leftovers("");
    folder.remove_leftovers("figures");
    PANEL.iter().try_for_each(|name| folder.remove(name).map_err(Failure::data))?;
    for name in FIGURES.iter().filter(|name| figures.iter().all(|f| f.name != **name)) {
        remove_figure(name, folder)?;
    }
    Ok(())
}

/// Takes away every version of a figure that an earlier run left.
///
/// # Errors
/// When a file cannot be removed.
pub fn remove_figure(name: &str, folder: &OutputFolder) -> Result<(), Failure> {
    let endings = [".svg", ".png", "-dark.svg", "-dark.png"];
    endings.iter().try_for_each(|ending| folder.remove(&format!("figures/{name}{ending}")).map_err(Failure::data))
}

/// The page's figures, and the panel for a broadcast.
fn figures(
    night: &Night,
    record: &NightRecord,
    structure: Option<&Structure>,
) -> Result<(Vec<Figure>, Option<Figure>), Failure> {
    let gradient = night.stack.rotational_gradient()?;
    let twin_gradient = structure.map(|s| s.twin_gradient(night.stack.centre_px)).transpose()?;
    let stacked = &night.stack.comet.stacked;
    let pictures = NightPictures {
        light: SkyPicture {
            image: &stacked.image,
            mask: &stacked.mask,
            centre_x_px: night.stack.centre_px.0,
            centre_y_px: night.stack.centre_px.1,
            arcsec_per_px: night.stack.grid.local.arcsec_per_px,
            zero_point_mag: night.stack_zero_point_mag,
        },
        rotational_gradient: &gradient,
        gradient_description: format!(
            "Twice the light minus two copies turned by {}° either way about the optocentre",
            PAGE_GRADIENT.rotation_deg
        ),
        structure: structure.zip(twin_gradient.as_ref()).map(|(s, twin_gradient)| StructurePictures {
            twin: &s.twin,
            twin_realisation: &s.twin_realisation,
            twin_gradient,
            variance: &stacked.variance,
            independent_area_px: night.stack.comet.correlation,
        }),
        orbit_plan: super::plan::orbit_plan(night),
    };
    let figures = fanlight_present::night_figures(record, &pictures).map_err(Failure::data)?;
    let panel = fanlight_present::tonight_panel(record, &pictures).map_err(Failure::data)?;
    Ok((figures, panel))
}

fn number(key: &str, value: f64, comment: &str) -> Card {
    Card { key: key.into(), value: CardValue::Number(value), comment: comment.into() }
}

fn text(key: &str, value: &str, comment: &str) -> Card {
    Card { key: key.into(), value: CardValue::Text(value.into()), comment: comment.into() }
}

/// A WCS of an image of this size; a distortion with its inverse, for programs that need one.
fn wcs_cards(wcs: &Wcs, size: (usize, usize)) -> Vec<Card> {
    let inverse = wcs.inverse_distortion_cards(size.0, size.1);
    wcs.cards()
        .into_iter()
        .chain(inverse)
        .map(|(key, value)| {
            let value = match value {
                WcsValue::Number(v) => CardValue::Number(v),
                WcsValue::Integer(v) => CardValue::Integer(v),
                WcsValue::Text(v) => CardValue::Text(v),
            };
            Card { key, value, comment: String::new() }
        })
        .collect()
}

fn common_cards(record: &NightRecord) -> Vec<Card> {
    let mut cards = vec![
        text("OBJECT", &record.object, "comet"),
        text("DATE-AVG", record.mid_utc.trim_end_matches('Z'), "UTC, exposure-weighted mean of the mid-times"),
        number("XPOSURE", record.stack.exposure_s, "[s] sum of the exposures"),
        Card {
            key: "NCOMBINE".into(),
            value: CardValue::Integer(record.stack.n_frames as i64),
            comment: "frames combined".into(),
        },
        text("BUNIT", "electron/s", "per pixel, sky subtracted"),
        text("CREATOR", &record.provenance.program, "program that made this file"),
    ];
    if record.setup.simulated {
        cards.push(Card {
            key: "SIMULATE".into(),
            value: CardValue::Logical(true),
            comment: "the frames were made by a program".into(),
        });
    }
    if let Some(z) = &record.zero_point {
        cards.push(number("MAGZERO", z.stack_zero_point_mag, "[mag] magnitude of 1 electron/s"));
        cards.push(number("MAGZERR", z.stack_zero_point_err_mag, "[mag] its error"));
        cards.push(text("MAGBAND", &z.band, "band of the catalogue"));
    }
    if let Some(filter) = &record.setup.filter {
        cards.push(text("FILTER", filter, "filter as the frames name it"));
    }
    cards
}

fn history(record: &NightRecord) -> Vec<String> {
    let mut lines = vec![record.provenance.command.clone()];
    lines.extend(record.provenance.methods.iter().cloned());
    lines.extend(record.frames.iter().filter(|f| f.used).map(|f| format!("frame {}", f.file)));
    lines
}

/// The coordinates of the comet-registered stack.
fn comet_wcs(night: &Night, record: &NightRecord) -> Result<Wcs, Failure> {
    let place = match &record.astrometry {
        Some(a) => fanlight_sky::SkyPosition::new(a.ra_deg, a.dec_deg),
        None => fanlight_sky::SkyPosition::new(record.geometry.ra_deg, record.geometry.dec_deg),
    };
    let m = night.stack.grid.local.arcsec_per_px;
    let cd = [[m[0][0] / 3600.0, m[0][1] / 3600.0], [m[1][0] / 3600.0, m[1][1] / 3600.0]];
    let centre = PixelXy { x_px: night.stack.centre_px.0, y_px: night.stack.centre_px.1 };
    Wcs::tangent(place, centre, cd).map_err(Failure::data)
}

/// What every image on the comet's grid says of itself.
fn comet_cards(night: &Night, record: &NightRecord, wcs: &Wcs) -> Vec<Card> {
    let image = &night.stack.comet.stacked.image;
    let (x_px, y_px) = night.stack.centre_px;
    let mut cards = common_cards(record);
    cards.push(number("COMETX", x_px + 1.0, "optocentre, column, first pixel is 1"));
    cards.push(number("COMETY", y_px + 1.0, "optocentre, row, first pixel is 1"));
    let g = &record.geometry;
    cards.push(number("KMARCSEC", g.km_per_arcsec, "[km/arcsec] at the comet"));
    cards.push(number("SUNPA", g.sunward_pa_deg, "[deg] position angle toward the Sun"));
    cards.push(number("NEGVELPA", g.negative_velocity_pa_deg, "[deg] position angle of minus the velocity"));
    cards.extend(wcs_cards(wcs, (image.width, image.height)));
    cards
}

/// `twin.fits`: the featureless twin, what the night has beside it, and the twin with noise like the night's.
fn write_twin(
    night: &Night,
    record: &NightRecord,
    structure: &Structure,
    folder: &OutputFolder,
) -> Result<(), Failure> {
    let wcs = comet_wcs(night, record)?;
    let night_image = &night.stack.comet.stacked.image;
    let data = night_image.data.iter().zip(&structure.twin.data).map(|(n, t)| n - t).collect();
    let residual = Image { width: night_image.width, height: night_image.height, data };
    let mut twin = HduOut::new("TWIN", HduData::F32(&structure.twin));
    twin.cards = comet_cards(night, record, &wcs);
    twin.history = history(record);
    twin.comments = vec!["the best-fitting coma without narrow structure, imaged as the night was; no noise".into()];
    let mut beside = HduOut::new("RESIDUAL", HduData::F32(&residual));
    beside.cards = comet_cards(night, record, &wcs);
    beside.comments = vec!["the comet-registered stack less the twin".into()];
    let mut noisy = HduOut::new(NOISY_TWIN, HduData::F32(&structure.twin_realisation));
    noisy.cards = comet_cards(night, record, &wcs);
    noisy.comments = vec!["the twin with one draw of noise like the night's, as it is drawn beside the night".into()];
    fanlight_io::write_fits(&folder.path(TWIN), &[twin, beside, noisy]).map_err(Failure::data)
}

/// Mean exponent of the frames' star images, as the stack weighs them.
fn star_beta(night: &Night) -> Option<f64> {
    let parts = &night.stack.comet.kernel;
    let weight: f64 = parts.iter().map(|p| p.weight).sum();
    (weight > 0.0).then(|| parts.iter().map(|p| p.weight * p.seeing.beta).sum::<f64>() / weight)
}

/// What a search left out beyond the stack's own mask.
fn stars_left_out(searched: &Mask, stack: &Mask) -> Mask {
    let bits = searched.bits.iter().zip(&stack.bits).map(|(searched, own)| if *own == 0 { *searched } else { 0 });
    Mask { width: stack.width, height: stack.height, bits: bits.collect() }
}

/// `comet.fits`: image, variance, mask; `substacks.fits`: the sub-stacks on the same grid.
fn write_comet(
    night: &Night,
    record: &NightRecord,
    structure: Option<&Structure>,
    folder: &OutputFolder,
) -> Result<(), Failure> {
    let stacked = &night.stack.comet.stacked;
    let wcs = comet_wcs(night, record)?;
    let cards = comet_cards(night, record, &wcs);
    let mut image = HduOut::new("COMET", HduData::F32(&stacked.image));
    image.cards.clone_from(&cards);
    image.cards.push(number(
        NOISE_CARD,
        night.stack.comet.correlation,
        "variance of sums over pixels / sum of variances",
    ));
    image.cards.push(number(
        ELONGATION_CARD,
        elongation_sigma(night),
        "relative error of the elongation of a point's image",
    ));
    image
        .cards
        .extend(star_beta(night).map(|beta| number(BETA_CARD, beta, "exponent of the star images' wings (Moffat)")));
    image.history = history(record);
    let mut variance = HduOut::new("VARIANCE", HduData::F32(&stacked.variance));
    variance.cards = wcs_cards(&wcs, (stacked.image.width, stacked.image.height));
    let mut mask = HduOut::new("MASK", HduData::U8(&stacked.mask));
    mask.cards = wcs_cards(&wcs, (stacked.image.width, stacked.image.height));
    mask.comments = vec!["0 is a good pixel; 8: no frame has a trusted pixel here".into()];
    let stars_left = night.stack.star_variance();
    let mut of_stars = stars_left.as_ref().map(|left| HduOut::new(STARS_LEFT, HduData::F32(left)));
    if let Some(hdu) = &mut of_stars {
        hdu.cards = wcs_cards(&wcs, (stacked.image.width, stacked.image.height));
        hdu.comments =
            vec!["variance that stars taken out may leave, per pixel as sums over many pixels see it".into()];
    }
    let left_out = structure.map(|s| stars_left_out(&s.model.mask, &stacked.mask));
    let mut star_mask = left_out.as_ref().map(|left_out| HduOut::new(STAR_MASK, HduData::U8(left_out)));
    if let Some(hdu) = &mut star_mask {
        hdu.cards = wcs_cards(&wcs, (stacked.image.width, stacked.image.height));
        hdu.comments =
            vec!["not 0 where the search for structure left a good pixel out for what stars left in it".into()];
    }
    let hdus: Vec<HduOut> = [image, variance, mask].into_iter().chain(of_stars).chain(star_mask).collect();
    fanlight_io::write_fits(&folder.path(COMET), &hdus).map_err(Failure::data)?;

    let names: Vec<String> = (1..=stacked.substacks.len()).map(|i| format!("SUBSTACK{i}")).collect();
    let parts: Vec<HduOut> = stacked
        .substacks
        .iter()
        .zip(&names)
        .map(|(image, name)| {
            let mut hdu = HduOut::new(name, HduData::F32(image));
            hdu.cards.clone_from(&cards);
            hdu
        })
        .collect();
    fanlight_io::write_fits(&folder.path(SUBSTACKS), &parts).map_err(Failure::data)
}

/// `stars.fits`: the star-registered stack.
fn write_stars(
    record: &NightRecord,
    stars: &StarStacked,
    grid: &StarGrid,
    folder: &OutputFolder,
) -> Result<(), Failure> {
    let mut image = HduOut::new("STARS", HduData::F32(&stars.stacked.image));
    image.cards = common_cards(record);
    image.cards.extend(wcs_cards(&grid.wcs, (grid.width, grid.height)));
    image.history = history(record);
    let mut variance = HduOut::new("VARIANCE", HduData::F32(&stars.stacked.variance));
    variance.cards = wcs_cards(&grid.wcs, (grid.width, grid.height));
    let mut mask = HduOut::new("MASK", HduData::U8(&stars.stacked.mask));
    mask.cards = wcs_cards(&grid.wcs, (grid.width, grid.height));
    fanlight_io::write_fits(&folder.path(STARS), &[image, variance, mask]).map_err(Failure::data)
}
