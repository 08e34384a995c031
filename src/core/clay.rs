//! Clay: bag water, sorption, shrinkage.
