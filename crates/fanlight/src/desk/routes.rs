//! Addresses and what answers there, and their description.

use super::answer::Refusal;
use super::state::Desk;
use super::{
    call, campaign, figures, jobs, live, measurements, methods, page, plots, publish, radial, season, tiles, view,
};
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::routing::get;
use axum::{Json, Router};
use std::sync::Arc;
use std::time::Duration;
use tower_http::timeout::TimeoutLayer;
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
    tags((name = "nights"), (name = "pictures"), (name = "measurements"), (name = "runs"), (name = "season"), (name = "publish"))
)]
struct Description;

/// Everything that is answered, below the token.
pub fn router(desk: &Arc<Desk>) -> Router {
    let (router, description) = OpenApiRouter::with_openapi(Description::openapi())
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
        .layer(TimeoutLayer::with_status_code(StatusCode::GATEWAY_TIMEOUT, LONGEST))
}
