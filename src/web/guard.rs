//! Who may ask: a browser on this machine that was given the address, and no page of another origin.

use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use weighlight::{Error, ErrorKind, Result};

/// Longest time for one answer; measuring a long recording takes its while.
const MOST_TIME: Duration = Duration::from_secs(600);
/// Longest address and query, bytes.
const MOST_ADDRESS: usize = 2048;

/// The secret of one run of the server, and where it listens.
pub(super) struct Guard {
    token: String,
    port: u16,
}

impl Guard {
    /// Draws a new secret of 256 bits.
    pub(super) fn new(port: u16) -> Result<Self> {
        let mut bytes = [0_u8; 32];
        getrandom::fill(&mut bytes)
            .map_err(|error| Error::new(ErrorKind::Io, format!("no random numbers: {error}")))?;
        let token = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        Ok(Self { token, port })
    }

    /// The address to open.
    pub(super) fn address(&self) -> String {
        format!("http://127.0.0.1:{}/open/{}", self.port, self.token)
    }

    /// Cookies know no port: the name keeps two servers apart.
    fn cookie(&self) -> String {
        format!("weighlight_{}", self.port)
    }

    /// Whether a text is the secret; takes as long for a nearly right one as for a wrong one.
    fn is_token(&self, text: &str) -> bool {
        blake3::hash(text.as_bytes()) == blake3::hash(self.token.as_bytes())
    }

    fn has_session(&self, headers: &HeaderMap) -> bool {
        let name = self.cookie();
        headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|value| value.to_str().ok())
            .flat_map(|value| value.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(key, value)| key == name && self.is_token(value))
    }

    /// Whether the request was sent to this machine by name or number: another name is a rebound one.
    fn is_own_host(&self, host: &str) -> bool {
        ["127.0.0.1", "localhost"]
            .iter()
            .any(|name| host == format!("{name}:{}", self.port))
    }

    /// Why a request is refused.
    fn refusal(&self, request: &Request) -> Option<(StatusCode, &'static str)> {
        let headers = request.headers();
        let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
        if request.uri().to_string().len() > MOST_ADDRESS {
            return Some((StatusCode::URI_TOO_LONG, "the address is too long"));
        }
        if headers.get_all(header::HOST).iter().count() != 1
            || !text(header::HOST).is_some_and(|host| self.is_own_host(host))
        {
            return Some((
                StatusCode::MISDIRECTED_REQUEST,
                "asked under a foreign name",
            ));
        }
        let own_origin = |origin: &str| {
            origin
                .strip_prefix("http://")
                .is_some_and(|host| self.is_own_host(host))
        };
        if text(header::ORIGIN).is_some_and(|origin| !own_origin(origin)) {
            return Some((StatusCode::FORBIDDEN, "asked by another page"));
        }
        let site = text(HeaderName::from_static("sec-fetch-site"));
        if site.is_some_and(|site| site != "same-origin" && site != "none") {
            return Some((StatusCode::FORBIDDEN, "asked by another page"));
        }
        let reads = matches!(*request.method(), Method::GET | Method::HEAD);
        if !reads && !headers.contains_key("x-weighlight") {
            return Some((
                StatusCode::FORBIDDEN,
                "a change without the page's own header",
            ));
        }
        if !request.uri().path().starts_with("/open/") && !self.has_session(headers) {
            return Some((
                StatusCode::FORBIDDEN,
                "open the address that the program printed",
            ));
        }
        None
    }
}

/// Lets a request through or refuses it, and sets the rules the browser is to keep.
pub(super) async fn check(
    State(guard): State<Arc<Guard>>,
    request: Request,
    next: Next,
) -> Response {
    let mut response = match guard.refusal(&request) {
        Some(refusal) => refusal.into_response(),
        None => match tokio::time::timeout(MOST_TIME, next.run(request)).await {
            Ok(response) => response,
            Err(_) => (StatusCode::GATEWAY_TIMEOUT, "took too long").into_response(),
        },
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (
            "content-security-policy",
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; \
             base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        ),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cache-control", "no-store"),
    ] {
        // A saved page that carries its scripts inside brings rules of its own.
        if !headers.contains_key(name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    }
    response
}

/// The first visit: the secret of the address becomes the session's cookie and leaves the address.
pub(super) async fn enter(State(guard): State<Arc<Guard>>, Path(token): Path<String>) -> Response {
    if !guard.is_token(&token) {
        return (
            StatusCode::FORBIDDEN,
            "open the address that the program printed",
        )
            .into_response();
    }
    let cookie = format!(
        "{}={token}; Path=/; HttpOnly; SameSite=Strict",
        guard.cookie()
    );
    (
        StatusCode::SEE_OTHER,
        [
            (header::SET_COOKIE, cookie),
            (header::LOCATION, "/".to_owned()),
        ],
    )
        .into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_the_host_and_secrets_differ() {
        let guard = Guard::new(4711).unwrap();
        for (host, own) in [
            ("127.0.0.1:4711", true),
            ("localhost:4711", true),
            ("127.0.0.1", false),
            ("127.0.0.1:4712", false),
            ("localhost.example.org:4711", false),
            ("", false),
        ] {
            assert_eq!(guard.is_own_host(host), own, "{host}");
        }
        assert_eq!(guard.token.len(), 64);
        assert_ne!(guard.token, Guard::new(4711).unwrap().token);
        assert!(!guard.is_token(&guard.token[1..]));
    }
}
