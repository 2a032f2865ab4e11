//! The status page, and what systemd is told.
//!
//! In: a function that reads how the house stands. Out: a page for people at `/`, the same as
//! JSON at `/status.json`, and `200` at `/alive` while the daemon answers. Read-only, and
//! without a log-in: it belongs on loopback or behind the studio's own proxy. Measures nothing.

mod page;
mod systemd;

use std::sync::Arc;

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Json, Response};
use axum::routing::get;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tracing::error;

pub use page::{Line, View, render};
pub use systemd::{reloading, say, still_starting, stopping, watchdog_interval, watchdog_kick};

/// Reads how the house stands; may block.
pub type Look = Arc<dyn Fn() -> Result<View, String> + Send + Sync>;

/// Serves until `stop` turns true.
pub async fn serve(listener: TcpListener, look: Look, mut stop: watch::Receiver<bool>) {
    let app = Router::new()
        .route("/", get(people))
        .route("/status.json", get(programs))
        .route("/alive", get(|| async { "alive\n" }))
        .with_state(look);
    let until = async move {
        let _ = stop.wait_for(|stopped| *stopped).await;
    };
    if let Err(failed) = axum::serve(listener, app)
        .with_graceful_shutdown(until)
        .await
    {
        error!(error = %failed, "the status page ended");
    }
}

async fn people(State(look): State<Look>) -> Response {
    match view(look).await {
        Ok(view) => Html(render(&view)).into_response(),
        Err(why) => why.into_response(),
    }
}

async fn programs(State(look): State<Look>) -> Response {
    match view(look).await {
        Ok(view) => Json(view).into_response(),
        Err(why) => why.into_response(),
    }
}

async fn view(look: Look) -> Result<View, (StatusCode, String)> {
    let looked = tokio::task::spawn_blocking(move || look()).await;
    let failed = |why: String| (StatusCode::INTERNAL_SERVER_ERROR, format!("{why}\n"));
    looked
        .map_err(|error| failed(error.to_string()))?
        .map_err(failed)
}
