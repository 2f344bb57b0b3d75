//! Files that we write are read back by us bit for bit, and pass astropy's `verify('exception')` without a warning.

use std::path::{Path, PathBuf};
use std::process::Command;

use fanlight_image::{Image, Mask};
use fanlight_io::{Card, HduData, HduOut, read_image, write_fits};
use serde_json::Value;

fn image() -> Image {
    let mut image = Image::filled(41, 23, 0.0);
    for (i, v) in image.data.iter_mut().enumerate() {
        *v = (i as f32 * 0.37).sin() * 1e4;
    }
    image.data[7] = f32::NAN;
    image.data[41] = f32::INFINITY;
    image
}

/// What astropy finds in a file: one entry per HDU. Fails where it has to repair or warn.
fn astropy_reads(path: &Path) -> Value {
    let python = std::env::var_os("FANLIGHT_PYTHON").expect(
        "FANLIGHT_PYTHON must name a Python with astropy: `scripts/test` makes one and sets it before it runs the tests",
    );
    let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../reference/check_fits.py");
    let output = Command::new(&python).arg(&script).arg(path).output();
    let output = output.unwrap_or_else(|e| panic!("FANLIGHT_PYTHON {python:?} does not run: {e}"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn astropy_verifies_and_reads_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("comet.fits");
    let image = image();
    let mut mask = Mask::clear(41, 23);
    mask.bits[5] = 255;
    let pixels: Vec<u16> = (0..41 * 23).map(|i| (i * 71 % 65536) as u16).collect();
    let long = format!("{}it's long", "a value of many words ".repeat(12));
    let mut first = HduOut::new("IMAGE", HduData::F32(&image));
    first.cards = vec![
        Card::new("OBJECT", "C/2031 Z2", "designation"),
        Card::new("CRVAL1", 150.12345678901235, "[deg] a number with a comment that is too long for its own card"),
        Card::new("TINY", -1.2345678901234567e-200, "a number of 24 characters"),
        Card::new("WHOLE", 1e20, ""),
        Card::new("NFRAMES", 60_i64, "frames used"),
        Card::new("SOLVED", true, "from the catalogue"),
        Card::new("QUOTED", "O'Hara's", "doubled quotes"),
        Card::new("OBSERVER", "Jürgen ρ 3″", "é"),
        Card::new("LONG", long.as_str(), "the comment of a long string"),
        Card::new("EMPTY", "", ""),
        Card::new("DATE", "2031-03-05T09:00:00", "given by the caller"),
    ];
    first.history = vec![format!("combined {}", "light-001.fits ".repeat(20)), "line one\nline two".to_owned()];
    first.comments = vec!["ρ is the distance from the nucleus on the sky".to_owned()];
    let hdus = [
        first,
        HduOut::new("MASK", HduData::U8(&mask)),
        HduOut::new("RAW", HduData::U16 { width: 41, height: 23, pixels: &pixels }),
    ];
    write_fits(&path, &hdus).unwrap();

    let found = astropy_reads(&path);
    assert_eq!(found.as_array().unwrap().len(), 3);
    let (first, second, third) = (&found[0], &found[1], &found[2]);
    assert_eq!((first["name"].as_str(), &first["shape"]), (Some("IMAGE"), &serde_json::json!([23, 41])));
    assert_eq!(first["n_not_finite"], 2);
    let sum: f64 = image.data.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).sum();
    // Sums in another order, of 941 numbers up to 1e4.
    assert!((first["sum"].as_f64().unwrap() - sum).abs() < 1e-6);
    let cards = &first["cards"];
    assert_eq!(cards["OBJECT"], "C/2031 Z2");
    assert_eq!(cards["CRVAL1"], 150.12345678901235);
    assert_eq!(cards["TINY"], -1.2345678901234567e-200);
    assert_eq!(cards["WHOLE"], 1e20);
    assert_eq!((&cards["NFRAMES"], &cards["SOLVED"]), (&60.into(), &true.into()));
    assert_eq!(cards["QUOTED"], "O'Hara's");
    assert_eq!(cards["OBSERVER"], "Juergen rho 3arcsec");
    assert_eq!(cards["LONG"], long.as_str());
    assert_eq!(cards["EMPTY"], "");
    assert_eq!(cards["DATE"], "2031-03-05T09:00:00");
    assert_eq!(first["comments"]["NFRAMES"], "frames used");
    let words = |list: &Value| {
        let lines = list.as_array().unwrap().iter().flat_map(|l| l.as_str().unwrap().split_whitespace());
        lines.collect::<Vec<_>>().join(" ")
    };
    assert_eq!(words(&first["history"]), format!("combined {}line one line two", "light-001.fits ".repeat(20)));
    assert!(words(&first["comment"]).contains("rho is the distance from the nucleus on the sky"));
    assert!(words(&first["comment"]).contains("[deg] a number with a comment that is too long for its own card"));
    assert_eq!((second["name"].as_str(), second["sum"].as_f64()), (Some("MASK"), Some(255.0)));
    assert_eq!((third["name"].as_str(), third["dtype"].as_str()), (Some("RAW"), Some("uint16")));
    assert_eq!(third["sum"].as_f64(), Some(pixels.iter().map(|v| f64::from(*v)).sum()));
}

#[test]
fn what_is_written_is_read_back_bit_for_bit() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.fits");
    let image = image();
    write_fits(&path, &[HduOut::new("", HduData::F32(&image))]).unwrap();
    let back = read_image(&path).unwrap();
    let bits = |image: &Image| image.data.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&back.image), bits(&image));
    assert_eq!(std::fs::metadata(&path).unwrap().len() % 2880, 0);
    assert!(!back.header.contains("DATE"));

    let pixels: Vec<u16> = (0..=65535).collect();
    let mut hdu = HduOut::new("", HduData::U16 { width: 256, height: 256, pixels: &pixels });
    hdu.cards.push(Card::new("IMAGETYP", "Light Frame", ""));
    write_fits(&path, &[hdu.clone()]).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    // FITS 4.0, table 11: physical 0 is stored as -32768, 32768 as 0, 65535 as 32767.
    assert_eq!(bytes[2880..2882], (-32768i16).to_be_bytes());
    assert_eq!(bytes[2880 + 2 * 32768..][..2], 0i16.to_be_bytes());
    assert_eq!(bytes[2880 + 2 * 65535..][..2], 32767i16.to_be_bytes());
    let back = read_image(&path).unwrap();
    assert!(back.image.data.iter().enumerate().all(|(i, v)| *v == i as f32));
    write_fits(&path, &[hdu]).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), bytes, "the same input gives the same bytes");
}

#[test]
fn what_cannot_be_written_is_refused_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.fits");
    let image = image();
    let check = |hdus: &[HduOut], expected: &str| {
        let error = write_fits(&path, hdus).unwrap_err().to_string();
        assert!(error.contains(expected) && error.contains("a.fits"), "{error}");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    };
    let with = |card: Card| {
        let mut hdu = HduOut::new("", HduData::F32(&image));
        hdu.cards.push(card);
        hdu
    };
    check(&[], "no image");
    check(&[HduOut::new("X", HduData::F32(&Image::default()))], "image `X` of 0 x 0");
    check(&[HduOut::new("X", HduData::U16 { width: 3, height: 2, pixels: &[0; 5] })], "3 x 2 pixels has 5 values");
    check(&[with(Card::new("MAGZERO", f64::NAN, ""))], "card MAGZERO");
    check(&[with(Card::new("NAXIS1", 5_i64, ""))], "card NAXIS1");
    check(&[with(Card::new("too long a key", 5_i64, ""))], "1 to 8 characters");
    let nowhere = dir.path().join("none/a.fits");
    let error = write_fits(&nowhere, &[HduOut::new("", HduData::F32(&image))]).unwrap_err();
    assert!(error.to_string().contains("none/a.fits") && error.hint().is_some(), "{error}");
}
