//! What a campaign file says for reports, in the record's terms.

use fanlight_io::Campaign;
use fanlight_io::campaign::Tracking;
use fanlight_record::{NightRecord, ReportingRecord};

/// What the campaign file gives for reports; `None` where it gives nothing.
pub fn of_campaign(campaign: &Campaign) -> Option<ReportingRecord> {
    let (telescope, observer) = (&campaign.telescope, &campaign.observer);
    let record = ReportingRecord {
        mpc_code: observer.mpc_code.clone(),
        submitter: observer.submitter.clone(),
        measurers: observer.measurers.clone(),
        design: telescope.design.clone(),
        aperture_m: telescope.aperture_m,
        f_ratio: telescope.f_ratio,
        detector: telescope.detector.clone(),
        tracking: telescope.tracking.map(|t| match t {
            Tracking::Stars => "stars".to_owned(),
            Tracking::Comet => "comet".to_owned(),
        }),
        catalogue_code: campaign.photometry.catalogue_code.clone(),
        filter_code: campaign.photometry.filter_code.clone(),
        clock_err_s: campaign.camera.clock_err_s,
        ades_id: campaign.object.as_ref().and_then(|o| o.ades_id.clone()),
    };
    (record != ReportingRecord::default()).then_some(record)
}

/// Lets a campaign file that was filled in after the night say what it says now; what it leaves out stays as recorded.
pub fn complete(night: &mut NightRecord, campaign: &Campaign) {
    let own_band = night.photometry.first().map(|p| p.band.as_str());
    let is_of_band = campaign.photometry.band.as_deref().is_none_or(|band| own_band == Some(band));
    let setup = &mut night.setup;
    let recorded = setup.reporting.take().unwrap_or_default();
    let mut now = of_campaign(campaign).unwrap_or_default();
    // several nights may be completed at once, and a filter is that of its band's nights only
    now.filter_code = now.filter_code.filter(|_| is_of_band);
    setup.reporting = Some(now.completed_by(recorded));
    if !campaign.observer.names.is_empty() {
        setup.observers.clone_from(&campaign.observer.names);
    }
    let site = campaign.site.as_ref().and_then(|s| s.name.clone());
    setup.site = site.or_else(|| setup.site.take());
    setup.telescope = campaign.telescope.name.clone().or_else(|| setup.telescope.take());
}
