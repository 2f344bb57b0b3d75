//! Addresses and what answers there, and their description.

use super::answer::{NotPictured, Refusal};
use super::state::Desk;
use super::{
    call, campaign, figures, jobs, live, measurements, methods, page, plots, publish, radial, season, tiles, view,
};
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::StatusCode;
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use std::sync::Arc;
use std::time::Duration;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// No request says more.
const MOST_BODY_BYTES: usize = 64 << 10;
/// Nothing takes longer that a person waits for; what does is a job.
const LONGEST: Duration = Duration::from_secs(120);

/// The description of the desk's addresses.
#[derive(OpenApi)]
#[openapi(
    info(title = "Fanlight desk", description = "What the desk's page asks of the server. All addresses stand below the token."),
    components(schemas(NotPictured)),
    tags((name = "nights"), (name = "pictures"), (name = "measurements"), (name = "runs"), (name = "season"), (name = "publish"))
)]
struct Description;

/// Everything that is answered, below the token.
pub fn router(desk: &Arc<Desk>) -> Router {
    let (router, description) = OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(alive))
        .routes(routes!(campaign::campaign))
        .routes(routes!(view::view))
        .routes(routes!(view::record))
        .routes(routes!(tiles::tile))
        .routes(routes!(methods::methods))
        .routes(routes!(live::enhance))
        .routes(routes!(live::unrolled))
        .routes(routes!(figures::figure))
        .routes(routes!(figures::page))
        .routes(routes!(plots::plot))
        .routes(routes!(radial::radial))
        .routes(routes!(measurements::sector))
        .routes(routes!(measurements::list, measurements::keep))
        .routes(routes!(measurements::undo))
        .routes(routes!(measurements::restore))
        .routes(routes!(jobs::start, jobs::list))
        .routes(routes!(jobs::one, jobs::cancel))
        .routes(routes!(call::night_call))
        .routes(routes!(season::season))
        .routes(routes!(season::figure))
        .routes(routes!(season::file))
        .routes(routes!(publish::panels))
        .routes(routes!(publish::publish))
        .routes(routes!(publish::caption))
        .routes(routes!(publish::ades))
        .routes(routes!(publish::ades_check))
        .split_for_parts();
    let description = Arc::new(description);
    router
        .route("/", get(page::index))
        .route("/page/{name}", get(page::named))
        .route("/api/openapi.json", get(|| async move { Json((*description).clone()) }))
        .fallback(|| async { Refusal::missing("there is nothing at this address") })
        .method_not_allowed_fallback(|| async {
            Refusal::new(StatusCode::METHOD_NOT_ALLOWED, "this address is not asked in this way")
        })
        .with_state(Arc::clone(desk))
        .layer(DefaultBodyLimit::max(MOST_BODY_BYTES))
        .layer(from_fn(|request, next| within(LONGEST, request, next)))
}

/// That the desk is there: the page asks now and then, and says so when nobody answers.
#[utoipa::path(get, path = "/api/alive", tag = "runs", responses((status = 204, description = "it is")))]
async fn alive() -> StatusCode {
    StatusCode::NO_CONTENT
}

/// Gives up what takes longer, in words.
async fn within(longest: Duration, request: Request, next: Next) -> Response {
    let late = |_| {
        let seconds = longest.as_secs_f64();
        Refusal::new(StatusCode::GATEWAY_TIMEOUT, format!("this was not done after {seconds:.0} s and was given up"))
            .hint("ask again when the desk has less to do, or for less at once")
            .into_response()
    };
    tokio::time::timeout(longest, next.run(request)).await.unwrap_or_else(late)
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::{Body, to_bytes};
    use tower::ServiceExt;

    #[tokio::test]
    async fn what_takes_too_long_is_given_up_in_words() {
        let slow = || async { std::future::pending::<StatusCode>().await };
        let router = Router::new()
            .route("/slow", get(slow))
            .route("/quick", get(alive))
            .layer(from_fn(|request, next| within(Duration::from_millis(50), request, next)));
        let ask = async |path| router.clone().oneshot(Request::get(path).body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(ask("/quick").await.status(), StatusCode::NO_CONTENT);
        let late = ask("/slow").await;
        assert_eq!(late.status(), StatusCode::GATEWAY_TIMEOUT);
        let body: serde_json::Value = serde_json::from_slice(&to_bytes(late.into_body(), 4096).await.unwrap()).unwrap();
        assert!(body["error"].as_str().unwrap().contains("given up") && body["hint"].is_string(), "{body}");
    }
}
