//! What a campaign file says for reports, in the record's terms.

use fanlight_io::Campaign;
use fanlight_io::campaign::Tracking;
use fanlight_record::{ReportingRecord, SetupRecord};

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
        ades_id: campaign.object.as_ref().and_then(|o| o.ades_id.clone()),
    };
    (record != ReportingRecord::default()).then_some(record)
}

/// Lets a campaign file that was filled in after the night say what it says now; what it leaves out stays as recorded.
pub fn complete(setup: &mut SetupRecord, campaign: &Campaign) {
    let recorded = setup.reporting.take().unwrap_or_default();
    let record = of_campaign(campaign).unwrap_or_default().completed_by(recorded);
    setup.reporting = Some(record);
    if !campaign.observer.names.is_empty() {
        setup.observers.clone_from(&campaign.observer.names);
    }
    let site = campaign.site.as_ref().and_then(|s| s.name.clone());
    setup.site = site.or_else(|| setup.site.take());
    setup.telescope = campaign.telescope.name.clone().or_else(|| setup.telescope.take());
}
