"""Every sentence a person reads: findings, errors, faults, figures and units, cautions. No Qt, no click in here."""
