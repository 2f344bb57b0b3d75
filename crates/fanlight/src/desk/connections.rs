//! Connections: so many at once, headers within a time.

use axum::Router;
use axum::body::Body;
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::conn::auto::Builder;
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tower::ServiceExt;

/// A browser opens six; a second window, a script and some that were left open fit beside.
const AT_ONCE: usize = 64;
/// A request whose headers are not there by then is given up.
const HEADERS_WITHIN: Duration = Duration::from_secs(10);

/// Answers until the process is interrupted.
pub async fn serve(listener: TcpListener, router: Router) {
    let room = Arc::new(Semaphore::new(AT_ONCE));
    let stop = tokio::signal::ctrl_c();
    tokio::pin!(stop);
    loop {
        // one more is taken only when there is room: the rest wait in the system's own queue
        let permit = tokio::select! {
            permit = Arc::clone(&room).acquire_owned() => permit,
            _ = &mut stop => return,
        };
        let Ok(permit) = permit else { return };
        let stream = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = &mut stop => return,
        };
        let Ok((stream, _)) = stream else {
            // too many open files, or a connection that broke at once
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let service =
            TowerToHyperService::new(router.clone().map_request(|r: axum::http::Request<_>| r.map(Body::new)));
        tokio::spawn(async move {
            // one protocol: to find out which would wait without end for a first byte
            let mut builder = Builder::new(TokioExecutor::new()).http1_only();
            builder.http1().timer(TokioTimer::new()).header_read_timeout(HEADERS_WITHIN);
            // a browser that went away is no error
            let _ = builder.serve_connection(TokioIo::new(stream), service).await;
            drop(permit);
        });
    }
}
