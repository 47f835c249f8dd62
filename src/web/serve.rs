//! The server: it listens on this machine only and stops with Ctrl-C.

use std::net::Ipv4Addr;
use std::sync::Arc;

use axum::routing::get;
use axum::{Router, middleware};
use weighlight::{Error, Result};

use super::guard::{self, Guard};
use super::{Opened, api, assets};

/// Serves the page until Ctrl-C. `tell` gets the address as soon as it can be opened.
pub(crate) fn serve(opened: Opened, port: u16, tell: impl FnOnce(&str)) -> Result<()> {
    let io = |source: std::io::Error| Error::io("127.0.0.1", &source).key("--port");
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(io)?;
    let served = runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port))
            .await
            .map_err(io)?;
        let guard = Arc::new(Guard::new(listener.local_addr().map_err(io)?.port())?);
        let router = Router::new()
            .merge(api::routes(opened))
            .merge(assets::routes())
            .route("/open/{token}", get(guard::enter).with_state(guard.clone()))
            .layer(middleware::from_fn_with_state(guard.clone(), guard::check));
        tell(&guard.address());
        tokio::select! {
            served = async { axum::serve(listener, router).await } => served.map_err(io),
            _ = tokio::signal::ctrl_c() => Ok(()),
        }
    });
    // A measurement under way is not waited for: it writes nothing.
    runtime.shutdown_background();
    served
}
