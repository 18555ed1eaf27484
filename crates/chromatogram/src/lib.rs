//! Trace to peak: noise, baseline, peak detection, integration, identity.
