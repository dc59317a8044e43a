// Pair of cycles: two recordings of one engine, cycle by cycle, laid on each other.
//
// What a repair changes is the difference of the two mean cycles. Held against it, every single
// cycle of either side says which side it is like: a cylinder that still misses now and then gives
// cycles that are like the other recording, whatever its pulse sounds like in this place.
#pragma once

#include <array>
#include <optional>
#include <string_view>

#include "pipebeat/engine.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// Numbers of a side. For all signals, the low band alone and the envelopes alone: skewness of its
/// cycles towards the other side, log ratio of their spread to the middle half's, log of how far
/// the three farthest stand out, share beyond half way, and log spread in units of the noise. Then
/// for every signal: how far the other side's mean cycle stands above this one's at one place of
/// the cycle rather than below it (a pulse that this one lacks), log ratio of the lines between the
/// firing lines to those, and log ratio of the emptiest place to the usual one.
inline constexpr std::size_t cycle_number_count = 30;
inline constexpr std::array<std::string_view, cycle_number_count> cycle_number_names{
    "cycles_skew",
    "cycles_tail",
    "cycles_farthest",
    "cycles_across",
    "cycles_spread",
    "low_cycles_skew",
    "low_cycles_tail",
    "low_cycles_farthest",
    "low_cycles_across",
    "low_cycles_spread",
    "env_cycles_skew",
    "env_cycles_tail",
    "env_cycles_farthest",
    "env_cycles_across",
    "env_cycles_spread",
    "low_lacks",
    "low_between",
    "low_emptiest",
    "e1_lacks",
    "e1_between",
    "e1_emptiest",
    "e2_lacks",
    "e2_between",
    "e2_emptiest",
    "e3_lacks",
    "e3_between",
    "e3_emptiest",
    "e4_lacks",
    "e4_between",
    "e4_emptiest"};
/// Log distance of the two sides' middle cycles in units of the noise, for the same three; then for
/// every signal the log share in which the mean cycles differ, and their correlation.
inline constexpr std::size_t cycle_distance_count = 13;
inline constexpr std::array<std::string_view, cycle_distance_count> cycle_distance_names{
    "cycles_apart", "low_cycles_apart", "env_cycles_apart", "low_differ", "low_alike",
    "e1_differ",    "e1_alike",         "e2_differ",        "e2_alike",   "e3_differ",
    "e3_alike",     "e4_differ",        "e4_alike"};

struct CyclePair {
  std::array<double, cycle_number_count> before{};
  std::array<double, cycle_number_count> after{};
  std::array<double, cycle_distance_count> apart{};
};

/// Empty when one of them holds too few cycles to tell. Depends on neither level nor numbering.
std::optional<CyclePair> pair_cycles(const Engine& engine, const HeardCycles& before,
                                     const HeardCycles& after);

}  // namespace pipebeat::core
