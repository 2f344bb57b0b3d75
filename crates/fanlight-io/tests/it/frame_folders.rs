//! Frames found in folders as people keep them.

use std::fs;
use std::path::Path;

use fanlight_image::Image;
use fanlight_io::{Card, FrameKind, HduData, HduOut, SkippedKind, find_frames, write_fits};

use crate::data;

fn write(path: &Path, cards: &[(&str, &str)]) {
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    let image = Image::filled(5, 4, 1.0);
    let mut hdu = HduOut::new("", HduData::F32(&image));
    hdu.cards = cards.iter().map(|(key, value)| Card::new(key, *value, "")).collect();
    write_fits(path, &[hdu]).unwrap();
}

#[test]
fn a_folder_is_sorted_by_what_the_headers_say() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let time = ("DATE-OBS", "2031-03-04T21:10:00");
    write(&at("b/light-2.FIT"), &[("IMAGETYP", "LIGHT"), time, ("EXPOSURE", "30"), ("FILTER", " Sloan r ")]);
    write(&at("a/light-1.fits"), &[("IMAGETYP", "Light Frame"), ("EXPTIME", "60")]);
    write(&at("cal/bias.fts"), &[("IMAGETYP", "zero")]);
    write(&at("cal/dark.fits"), &[("IMAGETYP", "Dark Frame"), ("EXPTIME", "1e300")]);
    write(&at("cal/flat.fits"), &[("IMAGETYP", "flat")]);
    write(&at("nokind.fits"), &[("OBJECT", "comet")]);
    write(&at("focus.fits"), &[("IMAGETYP", "focus")]);
    write(&at(".hidden.fits"), &[("IMAGETYP", "light")]);
    fs::write(at("text.fits"), "not an image").unwrap();
    fs::write(at("notes.txt"), "not looked at").unwrap();
    let whole = fs::read(data("u16.fits")).unwrap();
    fs::write(at("cut.fits"), &whole[..3000]).unwrap();
    fs::copy(data("u16_rice.fits.fz"), at("c.fits.fz")).unwrap();
    fs::copy(data("u16.fits.gz"), at("d.fits.gz")).unwrap();
    fs::copy(data("odd_header.fits"), at("e.fits")).unwrap();

    let set = find_frames(dir.path()).unwrap();
    let names: Vec<&str> = set.lights.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(names, ["a/light-1.fits", "b/light-2.FIT", "c.fits.fz", "d.fits.gz", "e.fits"]);
    assert_eq!((set.biases.len(), set.darks.len(), set.flats.len()), (1, 1, 1));
    assert_eq!(set.biases[0].kind, FrameKind::Bias);
    assert_eq!(set.darks[0].exposure_s, None);
    assert!(set.darks[0].notes[0].contains("EXPTIME is 1e300 s and was not used"), "{:?}", set.darks[0].notes);

    let second = &set.lights[1];
    assert_eq!((second.width, second.height, second.exposure_s), (5, 4, Some(30.0)));
    assert_eq!(second.filter.as_deref(), Some("Sloan r"));
    assert_eq!(second.start.unwrap().to_iso(), "2031-03-04T21:10:00.000Z");
    assert_eq!(second.mid().unwrap().to_iso(), "2031-03-04T21:10:15.000Z");
    assert!(set.lights[0].start_problem.as_ref().unwrap().contains("DATE-OBS"));
    for frame in &set.lights[2..] {
        assert_eq!((frame.width, frame.height, frame.exposure_s), (32, 24, Some(60.0)), "{}", frame.name);
        assert_eq!(frame.start.unwrap().to_iso(), "2031-03-04T21:10:00.250Z", "{}", frame.name);
    }

    let reason = |file: &str| set.skipped.iter().find(|s| s.file == file).unwrap().reason.as_str();
    assert_eq!(set.skipped.len(), 4);
    let kind = |file: &str| set.skipped.iter().find(|s| s.file == file).unwrap().kind;
    assert_eq!(kind("cut.fits"), SkippedKind::Unreadable(Some(FrameKind::Light)));
    for other in ["text.fits", "nokind.fits", "focus.fits"] {
        assert_eq!(kind(other), SkippedKind::NoFrame, "{other}");
    }
    assert!(reason("nokind.fits").contains("set IMAGETYP to Light Frame"));
    assert!(reason("focus.fits").contains("IMAGETYP 'focus'"));
    assert!(reason("text.fits").contains("text that begins with \"not an image\""));
    assert!(reason("cut.fits").contains("1416 bytes are missing"));
}

#[test]
#[cfg(unix)]
fn links_in_a_circle_end() {
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("night/light.fits"), &[("IMAGETYP", "light")]);
    std::os::unix::fs::symlink(dir.path(), dir.path().join("night/again")).unwrap();
    std::os::unix::fs::symlink("gone.fits", dir.path().join("night/dangling.fits")).unwrap();
    let set = find_frames(dir.path()).unwrap();
    assert_eq!(set.lights.len(), 1);
    assert_eq!(set.skipped[0].file, "night/dangling.fits");
}

#[test]
fn folders_that_are_none() {
    let dir = tempfile::tempdir().unwrap();
    assert!(find_frames(dir.path()).unwrap().is_empty());
    assert!(find_frames(&dir.path().join("none")).unwrap_err().to_string().contains("does not exist"));
    assert!(find_frames(&data("u16.fits")).unwrap_err().to_string().contains("is a file"));
}

#[test]
fn of_several_images_of_one_size_the_first_is_taken_and_said() {
    let dir = tempfile::tempdir().unwrap();
    let (image, small) = (Image::filled(6, 5, 2.0), Image::filled(3, 2, 1.0));
    let mut first = HduOut::new("SCI", HduData::F32(&image));
    first.cards = vec![Card::new("IMAGETYP", "light", "")];
    // a second exposure is worth a word; the errors of the first are not
    for (second, is_said) in [("SCI2", true), ("ERR", false)] {
        let more = [HduOut::new(second, HduData::F32(&image)), HduOut::new("THUMB", HduData::F32(&small))];
        write_fits(&dir.path().join("a.fits"), &[vec![first.clone()], more.into()].concat()).unwrap();
        let set = find_frames(dir.path()).unwrap();
        assert_eq!((set.lights[0].width, set.lights[0].height), (6, 5));
        let notes = set.lights[0].notes.join("; ");
        assert_eq!(notes.contains("holds 2 images of one size") && notes.contains("the first"), is_said, "{notes}");
    }
}

#[test]
fn frames_without_a_kind_are_what_their_folder_says() {
    let dir = tempfile::tempdir().unwrap();
    write(&dir.path().join("lights/c_001.fits"), &[("OBJECT", "comet")]);
    write(&dir.path().join("flat darks/001.fits"), &[("EXPTIME", "2")]);
    write(&dir.path().join("flats/R/001.fits"), &[("FILTER", "\"R\"")]);
    let set = find_frames(dir.path()).unwrap();
    assert_eq!((set.lights.len(), set.flat_darks.len(), set.flats.len()), (1, 1, 1));
    assert_eq!(set.flats[0].filter.as_deref(), Some("R"));
    assert!(set.lights[0].notes[0].contains("folder \"lights\""), "{:?}", set.lights[0].notes);
}
