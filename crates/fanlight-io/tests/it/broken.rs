//! Broken files give errors that name them, never a panic.

use std::fs;
use std::path::Path;

use fanlight_io::{Campaign, IoError, find_frames, load_catalogue, read_header, read_image};

use crate::data;

/// Random changes of each fixture.
const RUNS_PER_FILE: usize = 200;

/// Numerical Recipes' 64-bit linear congruential generator; its upper bits are good enough to break files with.
pub struct Random(pub u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        ((self.0 >> 33) as usize) % n
    }
}

fn fixtures() -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<_> = fs::read_dir(data("")).unwrap().map(|e| e.unwrap().path()).collect();
    files.retain(|path| path.is_file());
    files.sort();
    let named = |p: &Path| (p.file_name().unwrap().to_string_lossy().into_owned(), fs::read(p).unwrap());
    files.iter().map(|p| named(p)).collect()
}

/// Changes one to six bytes: anywhere, or a header's characters into others that a header may hold. Sometimes cuts
/// the file.
pub fn damage(bytes: &[u8], random: &mut Random) -> Vec<u8> {
    let mut broken = bytes.to_vec();
    for _ in 0..=random.below(6) {
        if random.below(2) == 0 {
            let at = random.below(broken.len());
            broken[at] = random.below(256) as u8;
        } else {
            let at = random.below(broken.len().min(5760));
            broken[at] = b"0123456789-.=TF'& /ENDZ"[random.below(23)];
        }
    }
    if random.below(10) == 0 {
        broken.truncate(random.below(broken.len()));
    }
    broken
}

#[test]
fn damaged_files_never_panic() {
    let dir = tempfile::tempdir().unwrap();
    let mut random = Random(20310304);
    let (mut n_read, mut n_refused) = (0, 0);
    for (name, bytes) in fixtures() {
        let path = dir.path().join(&name);
        for _ in 0..RUNS_PER_FILE {
            let broken = damage(&bytes, &mut random);
            // A new file each time: some file systems send a rewritten one to the disk at once.
            let _ = fs::remove_file(&path);
            fs::write(&path, &broken).unwrap();
            if name.ends_with(".toml") {
                let text = String::from_utf8_lossy(&broken).into_owned();
                if let Err(error) = Campaign::from_toml(&text, &path) {
                    assert!(error.message.contains(&name), "{error}");
                }
                continue;
            }
            let catalogue = name.starts_with("stars") || name.ends_with(".csv");
            let result = if catalogue { load_catalogue(&path, None).map(drop) } else { read_image(&path).map(drop) };
            match result {
                Ok(()) => n_read += 1,
                Err(error) => {
                    assert!(error.to_string().contains(&name), "{error}");
                    n_refused += 1;
                }
            }
            let found = find_frames(dir.path()).unwrap();
            let listed = found.lights.len() + found.biases.len() + found.darks.len() + found.flats.len();
            assert!(listed + found.skipped.len() <= 1, "{name}");
        }
        fs::remove_file(&path).unwrap();
    }
    // Both happen often, or the damage would test nothing.
    assert!(n_read > 1000 && n_refused > 500, "{n_read} {n_refused}");
}

#[test]
fn every_length_of_a_cut_file_is_told_as_such() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cut.fits");
    let whole = fs::read(data("u16.fits")).unwrap();
    let needed = 2880 + 2 * 32 * 24;
    for keep in (0..needed).step_by(97) {
        fs::write(&path, &whole[..keep]).unwrap();
        let error = read_image(&path).unwrap_err();
        assert!(error.to_string().contains("cut.fits"), "{error}");
        match error {
            IoError::Truncated { missing_bytes, expected_bytes, .. } => {
                assert_eq!((missing_bytes, expected_bytes), ((needed - keep) as u64, needed as u64));
                // The END card of this file ends at byte 1120: up to there the header itself is cut.
                assert!(keep >= 1120, "{keep}");
            }
            IoError::EndlessHeader { .. } => assert!((6..1120).contains(&keep), "{keep}"),
            IoError::NotFits { .. } => assert!(keep < 6, "{keep}"),
            other => panic!("{keep}: {other}"),
        }
        assert!(read_header(&path).is_err());
    }
}

fn with_cards(cards: &[&str], data_bytes: usize) -> Vec<u8> {
    let mut text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
    text.push_str(&format!("{:<80}", "END"));
    let mut bytes = text.into_bytes();
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.resize(bytes.len() + data_bytes, 0);
    bytes
}

#[test]
fn absurd_headers_are_refused_with_the_keyword() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("absurd.fits");
    let check = |cards: &[&str], expected: &str| {
        fs::write(&path, with_cards(cards, 2880)).unwrap();
        let error = read_image(&path).unwrap_err().to_string();
        assert!(error.contains(expected) && error.contains("absurd.fits"), "{error}");
    };
    let simple = "SIMPLE  = T";
    check(&[simple, "BITPIX = 16"], "keyword NAXIS is missing");
    check(&[simple, "BITPIX  = 17", "NAXIS   = 2", "NAXIS1  = 2", "NAXIS2  = 2"], "keyword BITPIX is 17");
    check(&[simple, "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 'x'", "NAXIS2  = 2"], "keyword NAXIS1 is not a whole");
    check(&[simple, "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = -4", "NAXIS2  = 2"], "keyword NAXIS1 is -4");
    check(&[simple, "BITPIX  = 16", "NAXIS   = 1000", "NAXIS1  = 4"], "keyword NAXIS is 1000");
    let big = "9223372036854775807";
    check(
        &[simple, "BITPIX  = 16", "NAXIS   = 2", &format!("NAXIS1  = {big}"), &format!("NAXIS2  = {big}")],
        "more bytes",
    );
    check(&[simple, "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 2147483647", "NAXIS2  = 2147483647"], "is truncated");
    let tiled = "XTENSION= 'BINTABLE'";
    let mut bytes = with_cards(&[simple, "BITPIX  = 8", "NAXIS   = 0"], 0);
    let compressed = [
        tiled,
        "BITPIX  = 8",
        "NAXIS   = 2",
        "NAXIS1  = 8",
        "NAXIS2  = 1",
        "PCOUNT  = 100",
        "GCOUNT  = 1",
        "TFIELDS = 1",
        "TFORM1  = '1PB(100)'",
        "TTYPE1  = 'COMPRESSED_DATA'",
        "ZIMAGE  = T",
        "ZBITPIX = 16",
        "ZNAXIS  = 2",
        "ZNAXIS1 = 29000",
        "ZNAXIS2 = 29000",
        "ZTILE1  = 29000",
        "ZTILE2  = 29000",
        "ZCMPTYPE= 'RICE_1'",
    ];
    bytes.extend(with_cards(&compressed, 2880));
    fs::write(&path, bytes).unwrap();
    let error = read_image(&path).unwrap_err().to_string();
    assert!(error.contains("841000000 pixels cannot come from 108 bytes"), "{error}");
}

#[test]
fn a_cut_or_lying_gzip_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cut.fits.gz");
    let whole = fs::read(data("u16.fits.gz")).unwrap();
    for keep in [2, 10, 17, 500, whole.len() - 1] {
        fs::write(&path, &whole[..keep]).unwrap();
        assert!(read_image(&path).unwrap_err().to_string().contains("cut.fits.gz"));
    }
    let mut lying = whole.clone();
    let n = lying.len();
    lying[n - 4..].copy_from_slice(&u32::MAX.to_le_bytes());
    fs::write(&path, &lying).unwrap();
    assert!(read_image(&path).unwrap_err().to_string().contains("ends too early"));
}
