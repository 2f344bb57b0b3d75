//! Images as bytes: little-endian floats, row by row, NaN where there is nothing; with or without a head of JSON before them.

use super::answer::Refusal;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use fanlight_image::Image;
use serde::Serialize;

/// Appends pixels.
pub fn append(bytes: &mut Vec<u8>, pixels: &[f32]) {
    let start = bytes.len();
    bytes.resize(start + 4 * pixels.len(), 0);
    for (to, value) in bytes[start..].chunks_exact_mut(4).zip(pixels) {
        to.copy_from_slice(&value.to_le_bytes());
    }
}

/// The length of the head as `u32`, the head as JSON, zeros up to a multiple of four, and the images.
///
/// # Errors
/// None that a head of ours can cause.
pub fn framed<'a>(head: &impl Serialize, images: impl IntoIterator<Item = &'a Image>) -> Result<Response, Refusal> {
    let failed = |_| Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "the answer could not be written");
    let head = serde_json::to_vec(head).map_err(failed)?;
    let images: Vec<&Image> = images.into_iter().collect();
    let n_px: usize = images.iter().map(|i| i.data.len()).sum();
    let mut bytes = Vec::with_capacity(4 + head.len() + 4 + 4 * n_px);
    bytes.extend_from_slice(&(head.len() as u32).to_le_bytes());
    bytes.extend_from_slice(&head);
    bytes.resize(bytes.len().next_multiple_of(4), 0);
    images.into_iter().for_each(|image| append(&mut bytes, &image.data));
    Ok(([(header::CONTENT_TYPE, "application/octet-stream")], bytes).into_response())
}
