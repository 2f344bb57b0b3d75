//! Fingerprints of files.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::error::IoError;

/// The SHA-256 of a file's bytes as 64 lower-case hexadecimal digits.
///
/// # Errors
/// The file cannot be read.
///
/// # Source
/// FIPS 180-4.
pub fn sha256_file(path: &Path) -> Result<String, IoError> {
    let read = |e| IoError::read(path, e);
    let mut file = File::open(path).map_err(read)?;
    let mut hash = Sha256::new();
    let mut chunk = vec![0; 256 * 1024];
    loop {
        match file.read(&mut chunk).map_err(read)? {
            0 => break,
            n => hash.update(&chunk[..n]),
        }
    }
    Ok(hexadecimal(hash))
}

/// The same of bytes in memory.
pub(crate) fn sha256_bytes(bytes: &[u8]) -> String {
    hexadecimal(Sha256::new_with_prefix(bytes))
}

fn hexadecimal(hash: Sha256) -> String {
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(contents: &[u8], expected: &str) {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), contents).unwrap();
        assert_eq!(sha256_file(file.path()).unwrap(), expected);
        assert_eq!(sha256_bytes(contents), expected);
    }

    /// Vectors of FIPS 180-4's example papers (empty message, "abc", a million "a").
    #[test]
    fn published_vectors() {
        check(b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        check(b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        check(&[b'a'; 1_000_000], "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    }

    #[test]
    fn a_missing_file_is_named() {
        assert!(sha256_file(Path::new("no/such.fits")).unwrap_err().to_string().contains("no/such.fits"));
    }
}
