//! `fanlight desk`: a page on one's own machine to look, turn, compare and measure by hand what the pipeline did by number.
//!
//! The server listens on the loopback address, under a random token; the page and all that it needs lie in the binary.

mod answer;
mod call;
mod campaign;
mod connections;
mod enhanced;
mod figures;
mod floats;
mod guard;
mod jobs;
mod layers;
mod live;
mod measurements;
mod methods;
pub mod own_sector;
mod pace;
mod page;
mod plots;
mod publish;
mod pyramid;
mod radial;
mod reach;
mod routes;
mod run;
mod season;
mod state;
mod tiles;
mod unrolled;
mod view;

use crate::{Failure, geometry, messages};
use clap::Args;
use guard::Guard;
use state::Desk;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

/// What is laid on the desk, and where it listens.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// The campaign file
    #[arg(value_name = "CAMPAIGN")]
    pub campaign: PathBuf,
    /// Folders that fanlight night wrote, beside the nights of the campaign's ledger
    #[arg(value_name = "NIGHT_DIR")]
    pub nights: Vec<PathBuf>,
    /// Another ledger than the campaign's
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,
    /// Folder for what the desk puts together of several nights; otherwise CAMPAIGN-season beside the campaign file
    #[arg(long, value_name = "DIR")]
    pub season: Option<PathBuf>,
    /// Port; otherwise any that is free
    #[arg(long, default_value_t = 0)]
    pub port: u16,
    /// Listen on this address of the machine instead of on the loopback one: whoever reaches it and has the address with its token sees and
    /// changes all that you can here
    #[arg(long, value_name = "ADDRESS")]
    pub listen: Option<IpAddr>,
    /// Serve the page's own files from this folder instead of from the program: for those who work on the page
    #[arg(long, value_name = "DIR", hide = true)]
    pub page_from: Option<PathBuf>,
}

/// Serves the desk until it is interrupted.
///
/// # Errors
/// When the campaign cannot be read, or the address cannot be listened on.
pub fn command(options: &Options) -> Result<(), Failure> {
    let campaign = geometry::load_campaign(&options.campaign)?;
    let desk = Arc::new(Desk::open(options, campaign)?);
    let address = SocketAddr::new(options.listen.unwrap_or(IpAddr::V4(Ipv4Addr::LOCALHOST)), options.port);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| Failure::data(format!("the server cannot start: {e}")))?;
    runtime.block_on(async {
        let cannot = |e: std::io::Error| {
            let failure = Failure::data(format!("{address} cannot be listened on: {e}"));
            match (options.port, options.listen) {
                (0, Some(_)) => failure.hint("--listen takes an address of this machine"),
                _ => failure.hint("leave --port out to take any that is free"),
            }
        };
        let listener = tokio::net::TcpListener::bind(address).await.map_err(cannot)?;
        let guard = Guard::new(listener.local_addr().map_err(cannot)?)?;
        if !address.ip().is_loopback() {
            messages::warn_always(&format!(
                "the desk can be reached from other machines on {address}: whoever has its address sees and changes what you can here, and \
                 the connection is not encrypted"
            ));
        }
        messages::tell(&guard.address())?;
        desk.problems().iter().for_each(|problem| messages::warn(problem));
        let ready = Arc::clone(&desk);
        // read before the browser asks
        tokio::task::spawn_blocking(move || ready.read_latest());
        connections::serve(listener, guard.around(routes::router(&desk))).await;
        Ok(())
    })
}
