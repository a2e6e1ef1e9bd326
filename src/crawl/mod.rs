//! Room: crawl.
