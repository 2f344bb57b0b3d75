//! What the server answers when it does not answer what was asked: JSON with a sentence and what to do.

use super::floats;
use crate::Failure;
use axum::Json;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::{IntoResponses, ToSchema};

/// Why a request was not answered.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Refusal {
    #[serde(skip)]
    status: StatusCode,
    /// What is wrong, in a sentence.
    error: String,
    /// What to do about it.
    hint: Option<String>,
}

impl Refusal {
    /// The address or the body is wrong.
    pub fn call(error: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, error)
    }

    /// There is no such thing.
    pub fn missing(error: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, error)
    }

    /// What is asked for cannot be had of what is there.
    pub fn impossible(error: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, error)
    }

    /// With another status.
    pub fn new(status: StatusCode, error: impl Into<String>) -> Self {
        Self { status, error: error.into(), hint: None }
    }

    /// Adds what to do about it.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

/// How an address refuses, for its description.
#[derive(IntoResponses)]
#[allow(dead_code, reason = "read by the description alone")]
pub enum Refusals {
    /// The address is wrong.
    #[response(status = 400)]
    Call(Refusal),
    /// There is no such thing.
    #[response(status = 404)]
    Missing(Refusal),
    /// What is asked for cannot be had of what is there.
    #[response(status = 422)]
    Impossible(Refusal),
    /// Too many wait.
    #[response(status = 503)]
    Busy(Refusal),
    /// It took too long.
    #[response(status = 504)]
    Late(Refusal),
}

/// How an address refuses that takes a body, for its description.
#[derive(IntoResponses)]
#[allow(dead_code, reason = "read by the description alone")]
pub enum BodyRefusals {
    /// The address or the body is wrong.
    #[response(status = 400)]
    Call(Refusal),
    /// There is no such thing.
    #[response(status = 404)]
    Missing(Refusal),
    /// Something else stands in the way.
    #[response(status = 409)]
    Conflict(Refusal),
    /// The body is too large.
    #[response(status = 413)]
    Large(Refusal),
    /// The body is no JSON.
    #[response(status = 415)]
    Unlike(Refusal),
    /// What is asked for cannot be had of what is there, or the body says something else.
    #[response(status = 422)]
    Impossible(Refusal),
    /// Too many wait.
    #[response(status = 503)]
    Busy(Refusal),
    /// It took too long.
    #[response(status = 504)]
    Late(Refusal),
}

/// Why there is no picture of what was rightly asked for: an answer about the data, with the status 200, as the head of a picture without pixels.
#[derive(Debug, Serialize, ToSchema)]
pub struct NotPictured {
    /// What the data lack, in a sentence.
    refused_because: String,
    /// What to do about it.
    hint: String,
}

impl NotPictured {
    /// Instead of what the data do not allow.
    ///
    /// # Errors
    /// All other refusals stay what they are.
    pub fn instead(refusal: Refusal) -> Result<Response, Refusal> {
        floats::framed(&Self::of(refusal)?, [])
    }

    /// The same where the picture is a file: as JSON.
    ///
    /// # Errors
    /// As of [`Self::instead`].
    pub fn in_words(refusal: Refusal) -> Result<Response, Refusal> {
        Ok(Json(Self::of(refusal)?).into_response())
    }

    fn of(refusal: Refusal) -> Result<Self, Refusal> {
        if refusal.status != StatusCode::UNPROCESSABLE_ENTITY {
            return Err(refusal);
        }
        let usual = || "other settings, or another part of the picture, may allow it".to_string();
        // on the desk an option of the command is a slider
        let refused_because = refusal.error.trim_start_matches("--").to_string();
        Ok(Self { refused_because, hint: refusal.hint.unwrap_or_else(usual) })
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.status, Json(self)).into_response()
    }
}

/// A call that is wrong is the request's fault; what the data do not allow is nobody's.
impl From<Failure> for Refusal {
    fn from(failure: Failure) -> Self {
        let refusal =
            if failure.status() == 2 { Self::call(failure.message) } else { Self::impossible(failure.message) };
        Self { hint: failure.hint, ..refusal }
    }
}

impl From<JsonRejection> for Refusal {
    fn from(e: JsonRejection) -> Self {
        Self::new(e.status(), e.body_text())
    }
}

impl From<PathRejection> for Refusal {
    fn from(e: PathRejection) -> Self {
        Self::new(e.status(), e.body_text())
    }
}

impl From<QueryRejection> for Refusal {
    fn from(e: QueryRejection) -> Self {
        Self::new(e.status(), e.body_text())
    }
}

/// A JSON body that is refused in JSON.
#[derive(FromRequest)]
#[from_request(via(Json), rejection(Refusal))]
pub struct Asked<T>(pub T);

/// Parts of the address that are refused in JSON.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(Refusal))]
pub struct At<T>(pub T);

/// What stands behind the question mark, refused in JSON.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(Refusal))]
pub struct Queried<T>(pub T);
