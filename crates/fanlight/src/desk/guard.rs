//! Who may ask: requests under the token, to this machine's own name, from the desk's own page.

use super::answer::Refusal;
use crate::Failure;
use axum::Router;
use axum::extract::Request;
use axum::http::uri::PathAndQuery;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use rand::TryRngCore;
use rand::rngs::OsRng;
use std::fmt::Write;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use tower::ServiceExt;

/// The token and the address that is listened on.
#[derive(Debug, Clone)]
pub struct Guard {
    token: String,
    listened: SocketAddr,
}

/// Bytes of the token: 128 bits cannot be guessed.
const TOKEN_BYTES: usize = 16;

impl Guard {
    /// With a token from the system's random numbers.
    ///
    /// # Errors
    /// When the system has none.
    pub fn new(listened: SocketAddr) -> Result<Self, Failure> {
        let mut bytes = [0; TOKEN_BYTES];
        OsRng
            .try_fill_bytes(&mut bytes)
            .map_err(|e| Failure::data(format!("the system gives no random numbers for the desk's token: {e}")))?;
        let token = bytes.iter().fold(String::new(), |mut token, byte| {
            // writing to a string cannot fail
            let _ = write!(token, "{byte:02x}");
            token
        });
        Ok(Self { token, listened })
    }

    /// The page's address, token and all. Of a machine that listens on all its addresses, the loopback one.
    pub fn address(&self) -> String {
        let mut shown = self.listened;
        if shown.ip().is_unspecified() {
            shown.set_ip(if shown.is_ipv4() {
                IpAddr::from([127, 0, 0, 1])
            } else {
                IpAddr::from([0, 0, 0, 0, 0, 0, 0, 1])
            });
        }
        format!("http://{shown}/{}/", self.token)
    }

    /// Hands on what may be asked, with the token taken off its address.
    pub fn around(self, inner: Router) -> Router {
        let guard = Arc::new(self);
        Router::new().fallback(move |request: Request| {
            let (guard, inner) = (Arc::clone(&guard), inner.clone());
            async move {
                let mut response = match guard.admitted(request) {
                    Ok(request) => inner.oneshot(request).await.into_response(),
                    Err(refused) => *refused,
                };
                harden(response.headers_mut());
                response
            }
        })
    }

    fn admitted(&self, mut request: Request) -> Result<Request, Box<Response>> {
        let refuse = |refusal: Refusal| Err(Box::new(refusal.into_response()));
        if !self.knows_host(request.headers(), request.uri()) {
            return refuse(Refusal::new(StatusCode::FORBIDDEN, "the desk is asked under a name that is not its own"));
        }
        if !is_own_page(request.headers()) {
            return refuse(Refusal::new(StatusCode::FORBIDDEN, "another page asked for this"));
        }
        let path = request.uri().path();
        let (first, rest) = path.get(1..).and_then(|p| p.split_once('/')).unwrap_or((path.get(1..).unwrap_or(""), ""));
        if !is_same(first.as_bytes(), self.token.as_bytes()) {
            return refuse(
                Refusal::missing("there is nothing here").hint("take the whole address that fanlight desk printed"),
            );
        }
        if path.len() == 1 + self.token.len() {
            // the page's own addresses are relative to the folder
            let to = HeaderValue::from_str(&format!("/{}/", self.token));
            return match to {
                Ok(to) => Err(Box::new((StatusCode::PERMANENT_REDIRECT, [(header::LOCATION, to)]).into_response())),
                Err(_) => refuse(Refusal::missing("there is nothing here")),
            };
        }
        let query = request.uri().query().map(|q| format!("?{q}")).unwrap_or_default();
        match format!("/{rest}{query}").parse::<PathAndQuery>() {
            Ok(path_and_query) => {
                *request.uri_mut() = Uri::from(path_and_query);
                Ok(request)
            }
            Err(_) => refuse(Refusal::call("the address cannot be read")),
        }
    }

    /// Whether the request names this machine by a number or as `localhost`: another name that leads here belongs to a page that
    /// wants to look like the desk.
    fn knows_host(&self, headers: &HeaderMap, uri: &Uri) -> bool {
        let named = headers.get(header::HOST).and_then(|h| h.to_str().ok());
        let Some(authority) = named.or_else(|| uri.authority().map(|a| a.as_str())) else { return false };
        let (host, port) = match authority.rsplit_once(':') {
            Some((host, port)) if !port.ends_with(']') => (host, port.parse::<u16>().ok()),
            _ => (authority, Some(80)),
        };
        let number = host.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>().ok();
        let is_ours = match number {
            Some(ip) if self.listened.ip().is_unspecified() => !ip.is_unspecified(),
            Some(ip) => ip == self.listened.ip() || ip.is_loopback() && self.listened.ip().is_loopback(),
            None => {
                host.eq_ignore_ascii_case("localhost")
                    && (self.listened.ip().is_loopback() || self.listened.ip().is_unspecified())
            }
        };
        port == Some(self.listened.port()) && is_ours
    }
}

/// A browser says where a request comes from; what does not say so is no page.
fn is_own_page(headers: &HeaderMap) -> bool {
    let text = |name: &HeaderName| headers.get(name).map(|v| v.to_str().unwrap_or("unreadable"));
    let own_origin = match (text(&header::ORIGIN), text(&header::HOST)) {
        (Some(origin), Some(host)) => origin == format!("http://{host}"),
        (Some(_), None) => false,
        (None, _) => true,
    };
    let site = text(&HeaderName::from_static("sec-fetch-site"));
    own_origin && site.is_none_or(|s| s == "same-origin" || s == "none")
}

/// Compares in a time that does not tell where two texts differ.
fn is_same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

/// What a browser must not do with anything from here.
fn harden(headers: &mut HeaderMap) {
    let fixed = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; img-src 'self' blob: data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ];
    for (name, value) in fixed {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;
    use axum::routing::get;

    fn guard() -> Guard {
        Guard::new("127.0.0.1:4021".parse().unwrap()).unwrap()
    }

    async fn status(guard: &Guard, path: &str, headers: &[(&str, &str)]) -> u16 {
        let inner = Router::new().route("/api/x", get(|| async { "x" }));
        let mut request = Request::builder().uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(Body::empty()).unwrap();
        guard.clone().around(inner).oneshot(request).await.unwrap().status().as_u16()
    }

    #[tokio::test]
    async fn only_the_own_page_with_the_token_is_answered() {
        let guard = guard();
        let path = format!("/{}/api/x", guard.token);
        let host = ("host", "127.0.0.1:4021");
        for (headers, expected) in [
            (vec![host], 200),
            (vec![("host", "localhost:4021")], 200),
            (vec![("host", "LOCALHOST:4021")], 200),
            (vec![("host", "[::1]:4021")], 200),
            (vec![host, ("origin", "http://127.0.0.1:4021")], 200),
            (vec![host, ("sec-fetch-site", "same-origin")], 200),
            (vec![host, ("sec-fetch-site", "none")], 200),
            (vec![], 403),
            (vec![("host", "127.0.0.1")], 403),
            (vec![("host", "127.0.0.1:4022")], 403),
            (vec![("host", "desk.example:4021")], 403),
            (vec![("host", "127.0.0.1.example:4021")], 403),
            (vec![("host", "192.168.1.4:4021")], 403),
            (vec![host, ("origin", "http://desk.example")], 403),
            (vec![host, ("origin", "null")], 403),
            (vec![host, ("origin", "https://127.0.0.1:4021")], 403),
            (vec![host, ("sec-fetch-site", "cross-site")], 403),
            (vec![host, ("sec-fetch-site", "same-site")], 403),
        ] {
            assert_eq!(status(&guard, &path, &headers).await, expected, "{headers:?}");
        }
    }

    #[tokio::test]
    async fn without_the_token_nothing_is_there() {
        let guard = guard();
        let shorter = &guard.token[1..];
        for (path, expected) in [
            ("/".to_string(), 404),
            ("/api/x".into(), 404),
            (format!("/{shorter}/api/x"), 404),
            (format!("/{}0/api/x", guard.token), 404),
            (format!("//{}/api/x", guard.token), 404),
            (format!("/{}", guard.token), 308),
            (format!("/{}/api/y", guard.token), 404),
        ] {
            assert_eq!(status(&guard, &path, &[("host", "127.0.0.1:4021")]).await, expected, "{path}");
        }
    }

    #[test]
    fn two_desks_have_two_tokens() {
        assert_ne!(guard().token, guard().token);
        assert_eq!(guard().token.len(), 2 * TOKEN_BYTES);
    }

    #[test]
    fn a_desk_on_all_addresses_is_asked_by_number() {
        let guard = Guard::new("0.0.0.0:4021".parse().unwrap()).unwrap();
        let knows = |host: &'static str| {
            let headers = HeaderMap::from_iter([(header::HOST, HeaderValue::from_static(host))]);
            guard.knows_host(&headers, &Uri::from_static("/"))
        };
        assert!(knows("192.168.1.4:4021") && knows("localhost:4021"));
        assert!(!knows("desk.example:4021") && !knows("192.168.1.4:80"));
        assert!(guard.address().starts_with("http://127.0.0.1:4021/"));
    }
}
