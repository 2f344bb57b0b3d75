//! What is written of an enhanced image: FITS with its history, and pictures.

use super::method::Method;
use super::subject::Subject;
use super::{NO_TWIN, Options, is_same_file};
use crate::Failure;
use crate::night::products::write_figures;
use fanlight_coma::enhance::{Brightness, Enhancement, Undo};
use fanlight_image::Image;
use fanlight_io::{Card, HduData, HduOut, Header, OutputFolder};
use fanlight_present::{EnhancedPicture, Orientation, SkyPicture, enhanced_figure, format_utc};
use std::path::{Path, PathBuf};

/// An image through one enhancement.
pub struct Enhanced {
    /// Which.
    pub method: Method,
    /// With its settings.
    pub enhancement: Enhancement,
    /// The settings in words.
    pub words: String,
    /// The result.
    pub image: Image,
    /// The twin through the same.
    pub twin: Option<Twin>,
    /// Half the side of the pictures, where it was asked for.
    pub half_width_px: Option<f64>,
}

/// The twin through an enhancement.
pub struct Twin {
    /// Its file.
    pub path: PathBuf,
    /// The result.
    pub image: Image,
    /// The settings in words, where the image decides them too.
    pub words: String,
}

/// Writes FITS and pictures; returns a line that says what.
///
/// # Errors
/// When a product would replace an input, or cannot be written.
pub fn write(options: &Options, subject: &Subject, enhanced: &Enhanced) -> Result<String, Failure> {
    let (folder, stem) = place(options, enhanced.method)?;
    let twin_name = format!("{stem}-twin.fits");
    let name = format!("{stem}.fits");
    let inputs = [Some(&subject.path), enhanced.twin.as_ref().map(|t| &t.path), options.settings.against.as_ref()];
    for product in [&name, &twin_name] {
        if inputs.iter().flatten().any(|input| is_same_file(input, &folder.path(product))) {
            return Err(Failure::call(format!("--out {}: {product} would replace an input", options.out.display()))
                .hint("choose another name"));
        }
    }
    let source = fanlight_io::sha256_file(&subject.path).map_err(Failure::data)?;
    write_image(&folder, &name, &enhanced.image, subject, enhanced, |history| {
        history.push(format!("source: {} (SHA-256 {source}){}", subject.path.display(), sky(options)));
        history.push(format!("settings: {}", enhanced.words));
        match &enhanced.twin {
            Some(_) => history.push(format!("the featureless twin through the same enhancement: {twin_name}")),
            None => history.push(NO_TWIN.into()),
        }
    })?;
    match &enhanced.twin {
        Some(twin) => {
            let source = fanlight_io::sha256_file(&twin.path).map_err(Failure::data)?;
            write_image(&folder, &twin_name, &twin.image, subject, enhanced, |history| {
                history.push(format!("source: the featureless twin {} (SHA-256 {source})", twin.path.display()));
                history.push(format!("settings: {}", twin.words));
            })?;
        }
        // of an earlier run, which had one
        None => folder.remove(&twin_name).map_err(Failure::data)?,
    }
    let pictures = write_figures(&[figure(&stem, subject, enhanced)?], &folder, "")?;
    let shown = |name: &str| folder.path(name).display().to_string();
    let beside = if enhanced.twin.is_some() { format!(", its twin {}", shown(&twin_name)) } else { String::new() };
    let picture = pictures.iter().find(|p| p.ends_with(".png")).map(|p| shown(p)).unwrap_or_default();
    Ok(format!("{}: {}{beside}, picture {picture}", enhanced.enhancement.name(), shown(&name)))
}

fn sky(options: &Options) -> String {
    options.sky.map(|s| format!(", {s} taken off as its sky")).unwrap_or_default()
}

/// The folder of the products and their common name.
fn place(options: &Options, method: Method) -> Result<(OutputFolder, String), Failure> {
    let out = &options.out;
    let (folder, stem) = if options.all {
        (out.clone(), method.name())
    } else {
        let stem =
            out.file_name().and_then(|n| n.to_str()).and_then(|n| n.strip_suffix(".fits")).filter(|s| !s.is_empty());
        let Some(stem) = stem else {
            return Err(Failure::call(format!("--out {}: the name of the file must end in .fits", out.display())));
        };
        (out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new(".")).to_path_buf(), stem.to_string())
    };
    Ok((OutputFolder::create_or_open(&folder).map_err(Failure::data)?, stem))
}

fn write_image(
    folder: &OutputFolder,
    name: &str,
    image: &Image,
    subject: &Subject,
    enhanced: &Enhanced,
    add: impl FnOnce(&mut Vec<String>),
) -> Result<(), Failure> {
    let mut hdu = HduOut::new("ENHANCED", HduData::F32(image));
    hdu.cards = cards(subject, enhanced);
    hdu.history =
        subject.header.cards().iter().filter(|c| c.key == "HISTORY").map(|c| c.comment.trim_end().into()).collect();
    let enhancement = &enhanced.enhancement;
    hdu.history.push(format!("fanlight {} enhance --method {}", env!("CARGO_PKG_VERSION"), enhanced.method.name()));
    hdu.history.push(format!("enhancement: {}", enhancement.name()));
    add(&mut hdu.history);
    let centre = subject.centre;
    hdu.history.push(format!(
        "comet at column {:.3}, row {:.3}, the first pixel being 1",
        centre.x_px + 1.0,
        centre.y_px + 1.0
    ));
    hdu.history.push(format!("brightness: {}", brightness_words(enhancement)));
    hdu.history.push(format!("known artefacts: {}", enhancement.artefacts()));
    hdu.history.push(format!("method: {}", enhancement.source()));
    fanlight_io::write_fits(&folder.path(name), &[hdu]).map_err(Failure::data)
}

/// How a picture was made, what it does to the light and what it draws of its own, for captions.
pub fn how(enhancement: &Enhancement, settings_in_words: &str) -> String {
    format!(
        "{}: {settings_in_words}. Brightness {}. {} Source: {}.",
        upper_first(enhancement.name()),
        brightness_words(enhancement),
        enhancement.artefacts(),
        enhancement.source()
    )
}

/// What becomes of the light, in words.
pub fn brightness_words(enhancement: &Enhancement) -> &'static str {
    match enhancement.brightness() {
        Brightness::Kept(Undo::Multiplicative) => "kept; what was divided by gives it back by multiplication",
        Brightness::Kept(Undo::Additive) => "kept; what was taken off gives it back by addition",
        Brightness::Lost => "lost; no photometry on this image",
    }
}

/// Cards of the source that hold for the enhanced image too: its sky coordinates, and what was observed, when and how.
fn cards(subject: &Subject, enhanced: &Enhanced) -> Vec<Card> {
    const OBSERVATION: [&str; 24] = [
        "OBJECT", "DATE-OBS", "DATE-AVG", "DATE-BEG", "DATE-END", "MJD-OBS", "MJD-AVG", "TIMESYS", "EXPTIME",
        "XPOSURE", "NCOMBINE", "FILTER", "TELESCOP", "INSTRUME", "OBSERVER", "ORIGIN", "SITELONG", "SITELAT",
        "SITEELEV", "SIMULATE", "KMARCSEC", "SUNPA", "NEGVELPA", "RADESYS",
    ];
    let kept = |key: &str| OBSERVATION.contains(&key) || is_wcs(key);
    let mut cards: Vec<Card> = Vec::new();
    for card in subject.header.cards().iter().filter(|c| kept(&c.key)) {
        if let Some(value) = card.value.clone().filter(|_| cards.iter().all(|c| c.key != card.key)) {
            cards.push(Card { key: card.key.clone(), value, comment: card.comment.clone() });
        }
    }
    cards.push(Card::new("COMETX", subject.centre.x_px + 1.0, "comet, column, first pixel is 1"));
    cards.push(Card::new("COMETY", subject.centre.y_px + 1.0, "comet, row, first pixel is 1"));
    let unit = unit(&subject.header);
    let of_image =
        !matches!(enhanced.method, Method::InverseRadius | Method::RingStandardisation | Method::RingStretch)
            && enhanced.method.values("").0 == fanlight_present::Values::AboutZero;
    if let Some(unit) = unit.filter(|_| of_image) {
        cards.push(Card::new("BUNIT", unit, "unit of the differences"));
    }
    cards.push(Card::new("CREATOR", format!("fanlight {}", env!("CARGO_PKG_VERSION")), "program that made this file"));
    cards
}

/// Whether a keyword belongs to the coordinates of the first two axes.
fn is_wcs(key: &str) -> bool {
    let whole = ["LONPOLE", "LATPOLE", "EQUINOX", "A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER", "A_DMAX", "B_DMAX"];
    let axes = |rest: &str, n: usize| rest.len() == n && rest.chars().all(|c| c == '1' || c == '2');
    let per_axis = ["CTYPE", "CRPIX", "CRVAL", "CUNIT", "CDELT", "CROTA"];
    let pair = |rest: &str| rest.split_once('_').is_some_and(|(i, j)| axes(i, 1) && axes(j, 1));
    let terms =
        |rest: &str| rest.split_once('_').is_some_and(|(p, q)| p.parse::<u8>().is_ok() && q.parse::<u8>().is_ok());
    let pv = |rest: &str| rest.split_once('_').is_some_and(|(i, m)| axes(i, 1) && m.parse::<u8>().is_ok());
    whole.contains(&key)
        || per_axis.iter().any(|p| key.strip_prefix(p).is_some_and(|rest| axes(rest, 1)))
        || ["CD", "PC"].iter().any(|p| key.strip_prefix(p).is_some_and(pair))
        || ["A_", "B_", "AP_", "BP_"].iter().any(|p| key.strip_prefix(p).is_some_and(terms))
        || key.strip_prefix("PV").is_some_and(pv)
}

fn unit(header: &Header) -> Option<String> {
    header.text("BUNIT")
}

fn figure(stem: &str, subject: &Subject, enhanced: &Enhanced) -> Result<fanlight_present::Figure, Failure> {
    let header = &subject.header;
    let file = subject.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let object = header.text("OBJECT").unwrap_or(file);
    let unit = unit(header).map_or("in the image's unit".to_string(), |u| format!("{u} per pixel"));
    let (values, unit) = enhanced.method.values(&unit);
    let scale = subject.scale.arcsec_per_px.unwrap_or(1.0);
    let (arcsec_per_px, orientation) = match &subject.wcs {
        Some(wcs) => (wcs.arcsec_per_px(subject.centre), Orientation::NorthUp),
        None => ([[-scale, 0.0], [0.0, scale]], Orientation::AsStored),
    };
    let length_unit = if subject.scale.arcsec_per_px.is_some() { "″" } else { " px" };
    let mask = subject.mask();
    let enhancement = &enhanced.enhancement;
    let how = how(enhancement, &enhanced.words);
    let warning = enhanced.twin.is_none().then(|| format!("{}.", upper_first(NO_TWIN)));
    let picture = EnhancedPicture {
        name: stem,
        object: &object,
        method: enhancement.name(),
        subtitle: &subtitle(header),
        night: SkyPicture {
            image: &enhanced.image,
            mask: &mask,
            centre_x_px: subject.centre.x_px,
            centre_y_px: subject.centre.y_px,
            arcsec_per_px,
            zero_point_mag: None,
        },
        twin: enhanced.twin.as_ref().map(|t| &t.image),
        values,
        unit: &unit,
        orientation,
        length_unit,
        km_per_unit: subject.scale.km_per_arcsec.filter(|_| length_unit == "″"),
        half_width: enhanced.half_width_px.map(|px| px * scale),
        directions: subject.directions,
        how: &how,
        warning: warning.as_deref(),
    };
    enhanced_figure(&picture).map_err(Failure::data)
}

/// Date, exposure, filter and telescope, as far as the header tells.
fn subtitle(header: &Header) -> String {
    let date = ["DATE-AVG", "DATE-BEG", "DATE-OBS"].iter().find_map(|k| header.text(k));
    let date = date.map(|d| if d.ends_with('Z') { d } else { format!("{d}Z") });
    let exposure = header.first_number(&["XPOSURE", "EXPTIME"]).map(|(_, s)| format!("{s:.0} s"));
    let frames =
        header.integer("NCOMBINE").filter(|n| *n > 0).map(|n| format!("{n} frame{}", if n == 1 { "" } else { "s" }));
    let simulated = header.logical("SIMULATE").filter(|s| *s).map(|_| "simulated frames".to_string());
    let parts = [
        date.map(|d| format_utc(&d)),
        frames,
        exposure,
        header.text("FILTER").map(|f| format!("filter {f}")),
        header.text("TELESCOP"),
        simulated,
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

fn upper_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::is_wcs;

    #[test]
    fn keywords_of_the_two_axes_are_kept_and_others_are_not() {
        for key in
            ["CTYPE1", "CRPIX2", "CD1_2", "PC2_1", "CDELT1", "CROTA2", "A_ORDER", "AP_0_2", "B_2_0", "PV1_1", "LONPOLE"]
        {
            assert!(is_wcs(key), "{key}");
        }
        for key in ["CTYPE3", "CD1_3", "NAXIS1", "BSCALE", "A_X_2", "PVALUE", "CDELT", "WCSAXES", "PC1"] {
            assert!(!is_wcs(key), "{key}");
        }
    }
}
