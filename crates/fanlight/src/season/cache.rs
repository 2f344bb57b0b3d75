//! Comparisons of two nights that the ledger keeps, so that another night does not make all of them be computed again.

use super::changes::METHOD;
use super::inputs::NightIn;
use crate::messages;
use fanlight_io::Ledger;
use fanlight_io::ledger::Pair;
use fanlight_record::ChangeRecord;
use std::collections::BTreeMap;
use std::path::Path;

/// The campaign's ledger as a store of comparisons.
pub struct Cache {
    ledger: Ledger,
    /// Numbers of its nights by the checksum of their records.
    ids: BTreeMap<String, i64>,
}

impl Cache {
    /// Of a ledger that is there; what is in the way of it is a warning, since everything can be computed again.
    pub fn open(path: &Path) -> Option<Self> {
        if !path.is_file() {
            return None;
        }
        let opened = Ledger::open(path).and_then(|ledger| {
            let ids = ledger.nights()?.into_iter().map(|row| (row.record_sha256, row.id)).collect();
            Ok(Self { ledger, ids })
        });
        opened.map_err(|e| messages::warn(&format!("comparisons of nights are not kept: {e}"))).ok()
    }

    fn pair<'a>(&self, earlier: &'a NightIn, later: &'a NightIn) -> Option<Pair<'a>> {
        let known = |night: &'a NightIn| Some((*self.ids.get(&night.sha256)?, night.sha256.as_str()));
        let ((from_night, from_sha256), (to_night, to_sha256)) = (known(earlier)?, known(later)?);
        Some(Pair { from_night, to_night, from_sha256, to_sha256, method_version: METHOD })
    }

    /// What was kept of two nights by this method.
    pub fn get(&self, earlier: &NightIn, later: &NightIn) -> Option<ChangeRecord> {
        let json = self.ledger.get_pair(&self.pair(earlier, later)?).ok()??;
        serde_json::from_str(&json).ok()
    }

    /// Keeps a comparison of two nights that are in the ledger. Nights that could not be compared are tried again.
    pub fn put(&mut self, earlier: &NightIn, later: &NightIn, change: &ChangeRecord) {
        let Some(pair) = self.pair(earlier, later).filter(|_| change.not_compared_because.is_none()) else { return };
        let kept = serde_json::to_string(change).map_err(|e| e.to_string());
        if let Err(e) = kept.and_then(|json| self.ledger.put_pair(&pair, &json).map_err(|e| e.to_string())) {
            messages::warn(&format!("a comparison of nights was not kept: {e}"));
        }
    }
}
