// Pattern: from folded cycles to evidence, from evidence to a verdict.
//
// Evidence is a short row of physical measures, the same for every layout and microphone. A fitted
// table (tools/fit, src/core/verdict_table.inc) turns the row into a probability for each verdict.
#pragma once

#include <array>
#include <span>
#include <string_view>
#include <vector>

#include "core/firing_odds.hpp"
#include "core/judge.hpp"
#include "core/lines.hpp"
#include "core/pulses.hpp"
#include "core/speed.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::core {

/// Names of the evidence columns, in order. Levels in dB, spreads as logs.
inline constexpr std::array<std::string_view, 90> evidence_names{
    "low_null_near", "low_null_first", "low_null_far",        // lines the healthy layout lacks
    "e1_null_first", "e3_null_first", "e4_null_first",
    "low_strength", "low_healthy", "low_one_weak", "low_one_dead",     // line patterns: strength of
    "low_two_dead", "low_alternating", "low_best",                     // the weakest, misfits
    "low_odds_dead", "low_odds_dead_not_weak", "low_odds_more_dead", "low_odds_weak",  // firing odds,
    "e1_odds_dead", "e1_odds_dead_not_weak", "e1_odds_more_dead", "e1_odds_weak",      // roots of nats
    "e3_odds_dead", "e3_odds_dead_not_weak", "e3_odds_more_dead", "e3_odds_weak",
    "e4_odds_dead", "e4_odds_dead_not_weak", "e4_odds_more_dead", "e4_odds_weak",
    "low_min_level", "e1_min_level", "e3_min_level", "e4_min_level",   // emptiest position
    "low_explained", "e4_explained",
    "low_noise", "e1_noise", "e3_noise", "e4_noise",          // level scatter from cycle to cycle
    "low_coherence", "e1_coherence", "e3_coherence", "e4_coherence",
    "repeat", "log_positions", "log_speed", "unevenness",
    "speed_jitter", "speed_sag",
    "kink_tail", "low_tail", "e1_tail", "e4_tail",            // skewness of single events
    "event_share", "event_gap", "event_excess", "event_focus", "event_pairs",
    "low_spread", "e1_spread", "e3_spread", "e4_spread", "kink_spread",  // one position against all
    "split_gap", "split_ratio", "split_share", "split_score", "split_unlike", "split_steady",
    "split_lost",
    "shape_gain", "shape_gap", "shape_share", "shape_focus", "shape_lost", "shape_single",   // of what scattered
    "shape_steady", "shape_pairs", "shape_low",                                              // misses look like
    "low_e1_agreement", "low_e1_agreement_most", "e1_e2_agreement", "e1_e2_agreement_most",  // scatter that
    "low_e4_agreement", "low_e4_agreement_most",                                            // two signals share
    "log_cycles",
    "salience", "running_share", "first_strong", "weakest_strong"};       // from the speed search

/// Signals whose firing odds are evidence.
inline constexpr std::array<std::size_t, 4> signals_with_odds{0, 1, 3, 4};

inline constexpr std::size_t evidence_count = evidence_names.size();
using Evidence = std::array<double, evidence_count>;

/// `odds`: one for each of `signals_with_odds`.
Evidence gather_evidence(const CycleLines& lines, const PulseFit& pulses, const Engine& engine,
                         const Folded& folded, const std::vector<bool>& running,
                         const EventCrowd& crowd, const SpeedCandidate& speed,
                         std::span<const FiringOdds> odds);

/// Probabilities of the verdicts in enum order; they sum to 1. `unclear` stands for sounds that are
/// no engine.
using VerdictProbabilities = std::array<double, verdict_count>;
VerdictProbabilities judge_pattern(const Evidence& evidence);

/// Evidence with the offset of this engine taken out: what a healthy recording of the same engine
/// differs from the mean healthy one. Columns that describe the recording and not the engine stay.
Evidence without_offset(const Evidence& evidence, std::span<const double> known_good);

/// How many positions are dead when the verdict is `dead_miss`: 1, 2 or half of them.
int dead_positions(std::span<const FiringOdds> odds, const Engine& engine);

}  // namespace pipebeat::core
