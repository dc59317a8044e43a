// From readings to causes and the next test: Bayes' rule over the table of likelihoods.
#pragma once

#include <string>
#include <vector>

#include "job/table.hpp"
#include "pipebeat/job.hpp"

namespace pipebeat::job {

/// Weighs all that stands on the card since the last work on the engine.
///
/// Hypotheses are single faults: each cause at each cylinder (a gasket: at each pair side by side;
/// shared causes: once). Priors come from the table, a cylinder cause's shared evenly among the
/// cylinders. Readings are taken as independent given the fault, except that readings of one group
/// on one cylinder share one voice (their likelihoods are averaged geometrically). A finding with
/// confidence c counts as c of its own outcome and 1 - c of the others.
///
/// A test's worth is the mutual information between its outcome and the fault, in bits, over its
/// minutes; `tools`: what the user owns, empty for everything.
[[nodiscard]] Diagnosis diagnose(const JobCard& card, const Table& table,
                                 const std::vector<std::string>& tools = {});

/// The card as it was before the entry of that id.
[[nodiscard]] JobCard before(const JobCard& card, int id);

}  // namespace pipebeat::job
