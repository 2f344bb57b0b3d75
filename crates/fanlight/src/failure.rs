//! Why a command did not do its job, and the exit status that says so.

use std::fmt;

/// A command that could not be carried out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    kind: Kind,
    /// What is wrong and where, one sentence, lower case.
    pub message: String,
    /// What to do about it.
    pub hint: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Data,
    Call,
}

impl Failure {
    /// The data do not allow it: exit status 1.
    pub fn data(message: impl fmt::Display) -> Self {
        Self { kind: Kind::Data, message: message.to_string(), hint: None }
    }

    /// The call or the campaign file is wrong: exit status 2.
    pub fn call(message: impl fmt::Display) -> Self {
        Self { kind: Kind::Call, message: message.to_string(), hint: None }
    }

    /// Adds what to do about it.
    #[must_use]
    pub fn hint(mut self, hint: impl fmt::Display) -> Self {
        self.hint = Some(hint.to_string());
        self
    }

    /// Names what it is about, in front of the message.
    #[must_use]
    pub fn about(mut self, what: impl fmt::Display) -> Self {
        self.message = format!("{what}: {}", self.message);
        self
    }

    /// The exit status.
    pub fn status(&self) -> u8 {
        match self.kind {
            Kind::Data => 1,
            Kind::Call => 2,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}
