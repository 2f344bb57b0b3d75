//! Every kind of image that astropy writes is read as astropy reads it: the numbers are those of
//! `tests/data/fits_fixtures.csv`, made by `reference/make_fits_fixtures.py`.

use fanlight_image::{Image, PixelBox};
use fanlight_io::{IoError, read_header, read_image, read_image_into, read_image_part};

use crate::data;

/// Pixels are rounded once to f32 on both sides; the sum of 768 of them is in f64.
const SUM_TOLERANCE: f64 = 1e-12;

#[test]
fn pixels_are_those_that_astropy_reads() {
    let table = include_str!("../data/fits_fixtures.csv");
    let mut n_files = 0;
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [file, width, height, n_not_finite, sum, first, last] = cells[..] else { panic!("{line}") };
        let found = read_image(&data(file)).unwrap_or_else(|e| panic!("{e}"));
        let image = &found.image;
        assert_eq!(
            (image.width.to_string(), image.height.to_string()),
            (width.to_owned(), height.to_owned()),
            "{file}"
        );
        let bad = image.data.iter().filter(|v| !v.is_finite()).count();
        assert_eq!(bad.to_string(), n_not_finite, "{file}");
        let total: f64 = image.data.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).sum();
        let expected: f64 = sum.parse().unwrap();
        assert!((total / expected - 1.0).abs() < SUM_TOLERANCE, "{file}: {total}, not {expected}");
        assert_eq!(f64::from(image.data[0]), first.parse::<f64>().unwrap(), "{file}");
        assert_eq!(f64::from(image.data[image.data.len() - 1]), last.parse::<f64>().unwrap(), "{file}");
        assert_eq!(read_header(&data(file)).unwrap(), found.header, "{file}");
        n_files += 1;
    }
    assert_eq!(n_files, 20);
}

#[test]
fn nan_and_infinity_are_kept_where_they_were() {
    for file in ["f32_nan.fits", "f32_gzip2.fits.fz"] {
        let image = read_image(&data(file)).unwrap().image;
        assert!(image.at(4, 3).is_nan(), "{file}");
        assert_eq!(image.at(20, 10), f32::INFINITY, "{file}");
    }
}

#[test]
fn blank_pixels_become_nan_before_scaling() {
    let found = read_image(&data("blank_scaled.fits")).unwrap();
    assert!(found.image.at(3, 2).is_nan());
    assert!(found.header.integer("BLANK").is_some());
}

#[test]
fn a_compressed_header_reads_like_a_plain_one() {
    let plain = read_header(&data("u16.fits")).unwrap();
    for file in ["u16_rice.fits.fz", "u16_gzip.fits.fz", "u16_hcompress.fits.fz", "u16_rice_tiles.fits.fz"] {
        let header = read_header(&data(file)).unwrap();
        for key in
            ["BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "IMAGETYP", "DATE-OBS", "EXPTIME", "FILTER", "EGAIN"]
        {
            assert_eq!(header.get(key), plain.get(key), "{file} {key}");
            assert!(header.contains(key), "{file} {key}");
        }
        assert_eq!(header.comment("EXPTIME"), Some("[s] exposure"));
        for key in ["XTENSION", "TFORM1", "ZIMAGE", "ZCMPTYPE", "ZNAXIS1", "PCOUNT", "EXTNAME"] {
            assert!(!header.contains(key), "{file} {key}");
        }
    }
}

#[test]
fn the_primary_headers_cards_serve_an_image_in_an_extension() {
    let header = read_header(&data("second_hdu.fits")).unwrap();
    assert_eq!(header.text("EXTNAME").as_deref(), Some("SCI"));
    assert_eq!(header.text("IMAGETYP").as_deref(), Some("Light Frame"), "from the primary header");
    assert_eq!(header.text("FILTER").as_deref(), Some("Sloan r"), "from its own");
    assert_eq!(header.integer("NAXIS"), Some(2));
    assert!(!header.contains("SIMPLE"));
}

#[test]
fn odd_but_usable_cards() {
    let header = read_header(&data("odd_header.fits")).unwrap();
    assert_eq!(header.text("IMAGETYP").as_deref(), Some("light"));
    assert_eq!(header.number("EXPTIME"), Some(60.0));
    assert_eq!(header.number("BZERO"), Some(32768.0));
    assert_eq!(header.text("OBSERVER").as_deref(), Some("Jürgen O'Hara"));
    assert_eq!(header.comment("OBSERVER"), Some("Latin-1"));
    assert_eq!(header.text("FILTER").as_deref(), Some("Sloan r"));
    assert_eq!(header.number("CAMERA SENSOR TEMP"), Some(-10.5));
    assert_eq!(header.comment("CAMERA SENSOR TEMP"), Some("[deg C]"));
    let note = "this note is longer than one card can hold, so it goes on in a second card and a third";
    assert_eq!(header.text("NOTES").as_deref(), Some(note));
    assert_eq!(header.number("GAIN"), None, "NaN is no number");
    let history = header.cards().iter().find(|c| c.key == "HISTORY").unwrap();
    assert_eq!(history.comment.trim(), "no = value here");
}

#[test]
fn a_buffer_is_used_again() {
    let mut image = Image::filled(100, 100, 7.0);
    let place = image.data.as_ptr();
    let header = read_image_into(&data("u16.fits"), &mut image).unwrap();
    assert_eq!((image.width, image.height, image.data.len()), (32, 24, 32 * 24));
    assert_eq!(image.data.as_ptr(), place);
    assert_eq!(header.number("EXPTIME"), Some(60.0));
    let mut small = Image::default();
    read_image_into(&data("u16.fits"), &mut small).unwrap();
    assert_eq!(small, image);
}

#[test]
fn a_part_is_the_whole_cropped() {
    let table = include_str!("../data/fits_fixtures.csv");
    for file in table.lines().skip(1).filter_map(|line| line.split(',').next()) {
        let whole = read_image(&data(file)).unwrap().image;
        let (width, height) = (whole.width, whole.height);
        for area in [
            PixelBox { x0: 0, y0: 0, x1: width, y1: height },
            PixelBox { x0: 0, y0: 2, x1: width, y1: height - 3 },
            PixelBox { x0: 3, y0: 1, x1: width - 1, y1: height },
            PixelBox { x0: width - 1, y0: height - 1, x1: width, y1: height },
        ] {
            let part = read_image_part(&data(file), area).unwrap();
            let expected = whole.crop(area);
            let bits = |i: &Image| i.data.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            assert_eq!((part.width, part.height), (expected.width, expected.height), "{file}");
            assert_eq!(bits(&part), bits(&expected), "{file}, {area:?}");
        }
    }
    let beyond = PixelBox { x0: 0, y0: 0, x1: 33, y1: 24 };
    let error = read_image_part(&data("u16.fits"), beyond).unwrap_err().to_string();
    assert!(error.contains("u16.fits is 32 x 24 px; columns up to 33"), "{error}");
}

#[test]
fn what_is_no_image_is_named() {
    let check = |file: &str, expected: &str| {
        let error = read_image(&data(file)).unwrap_err();
        assert!(error.to_string().contains(expected) && error.to_string().contains(file), "{error}");
        assert_eq!(read_header(&data(file)).unwrap_err().to_string(), error.to_string());
    };
    check("cube.fits", "a cube of 32 x 24 x 2 pixels");
    check("table_only.fits", "no two-dimensional image (primary with 0 axes, bintable)");
    check("campaign.toml", "is not a FITS file: it is text that begins with \"[object]\"");
    assert!(matches!(read_image(&data("no_such.fits")), Err(IoError::Read { .. })));
    assert!(read_image(&data("")).unwrap_err().to_string().contains("is a folder"));
}
