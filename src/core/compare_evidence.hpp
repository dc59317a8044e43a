// What a before/after pair offers to the judgement, as named numbers; shared with tools/fit.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "pipebeat/compare.hpp"

namespace pipebeat::core {

/// The numbers of one pair. Those of a side come for both sides, in the same order; NaN where one is not
/// known, because too few cycles were heard.
struct PairEvidence {
  std::vector<double> before;
  std::vector<double> after;
  std::vector<double> shared;  ///< how far the two sounds differ
};

/// Names of the numbers of a side. By itself: the listener's log odds of a miss, log odds of a gap in the
/// levels, the listener's evidence columns (core/pattern.hpp), log probabilities of its verdicts, and how many
/// pulses of a cycle it counts as missing. Against the other side: core/pair_cycles.hpp.
std::vector<std::string> side_evidence_names();
/// Names of the shared numbers: how far the lines and the levels lie apart, how far every number does that a
/// side has by itself, and the distances of core/pair_cycles.hpp.
std::vector<std::string> shared_evidence_names();

/// Means over the recordings of each side; empty when no engine was heard on one of them.
std::optional<PairEvidence> pair_evidence(const Engine& engine, std::span<const ComparedRecording> before,
                                          std::span<const ComparedRecording> after);

}  // namespace pipebeat::core
