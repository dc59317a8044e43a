// Naming the cylinder: the cylinder drop test, and locating with a single unplugging.
#pragma once

#include <complex>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat {

/// One recording, or one stretch of a continuous take, with at most one cylinder unplugged.
struct DropStretch {
  int unplugged = 0;  ///< cylinder, 0: none (baseline, or plugged back)
  Finding finding;    ///< on this stretch alone
  HeardCycles cycles{};  ///< Listener::cycles; empty: the levels of the finding decide
};

enum class DropReasonCode {
  // Why there is no answer:
  baseline_unheard,     ///< no engine, or no speed, in the baseline
  stretch_unheard,      ///< cylinder: nothing usable in its recording
  nothing_stands_out,   ///< no cylinder clearly differs from the others
  speeds_differ,        ///< cylinder; value: rpm, value2: baseline rpm: another operating point
  // What speaks for the answer:
  changes_nothing,      ///< cylinder; value: rpm drop, value2: what the others dropped
  all_contribute,       ///< value: smallest rpm drop
  contributes_little,   ///< cylinder; value: contribution
  speed_held,           ///< value: mean rpm drop: idle control hides it, the pattern decides
  not_tested,           ///< cylinder: nobody unplugged it
  unplugged_again,      ///< cylinder; value: how many times, judged as one
  plugged_back_differs, ///< value: slowest, value2: fastest rpm with all plugged in
};

/// Contract word: "changes_nothing", ...
[[nodiscard]] std::string_view to_string(DropReasonCode code);

struct DropReason {
  DropReasonCode code;
  int cylinder = 0;  ///< 0 where none is meant
  double value = 0.0;
  double value2 = 0.0;
};

/// What unplugging one cylinder did.
struct CylinderDrop {
  int cylinder = 0;
  std::optional<double> rpm_drop;             ///< baseline less unplugged, rpm
  std::optional<Interval> rpm_drop_interval;  ///< 95 %
  std::optional<double> missing_event_ratio;  ///< while unplugged
  std::optional<double> contribution;  ///< 1: as much as its fellows, 0: nothing
  double dead_probability = 0.0;
};

struct DropTest {
  /// Cylinders that do not contribute; empty: all contribute; no value: unclear.
  std::optional<std::vector<int>> dead;
  std::optional<double> confidence;  ///< probability that `dead` is exactly right
  std::vector<CylinderDrop> cylinders;  ///< those tested, by rising number
  std::vector<DropReason> reasons;   ///< when unclear, why comes first
};

/// Judges a drop test: baselines (unplugged 0) and one or more stretches for each cylinder.
///
/// Every hypothesis (nobody, one or two cylinders dead) is held against the speed drops and against
/// the gaps in the pattern; the cylinder whose unplugging changes nothing is dead (common practice,
/// no source).
DropTest judge_drop_test(const Engine& engine, std::span<const DropStretch> stretches);

/// One piece of sound in which a cylinder is unplugged part of the time, heard in one go.
struct Mark {
  Seconds at;
  int unplugged = 0;  ///< from here on; 0: all are plugged in
};

/// The complex cycle lines of the time between two marks. `mean` over its cycles and `variance` of that
/// mean hold line k of signal m at [m * lines + k - 1]. Stretches of one take share a phase.
struct StretchLines {
  int unplugged = 0;
  Seconds from{0.0};
  Seconds to{0.0};
  Hertz cycle_frequency{0.0};
  std::vector<std::complex<double>> mean;
  std::vector<double> variance;
  std::vector<std::complex<float>> by_cycle;  ///< cycle after cycle, each laid out like `mean`
};

/// A take for `locate`: the marks by rising time, "all plugged in" before the first.
struct LocateTake {
  Finding finding;
  std::vector<Mark> marks;
  std::vector<StretchLines> lines{};  ///< core::BeatLines; empty: the levels of the finding decide
  /// `lines` lie on the phase of a trigger channel, which all such takes of the engine share.
  bool triggered = false;
  bool trigger_every_turn = false;  ///< wasted spark: the phase is known but for half a cycle
  Seconds begin{0.0};               ///< in the recording, of what was heard; times count from it
};

enum class LocateReasonCode {
  // Why there is no answer:
  no_engine,          ///< value: take (from 1) without an engine
  stretch_too_short,  ///< cylinder unplugged (0: none); value: take
  cylinder_unheard,   ///< cylinder: its exhaust does not reach this pipe
  unnamed_change,     ///< value: take; value2: second at which the sound changes without a mark
  nothing_changed,    ///< cylinder marked as unplugged: neither side of the mark misses anything
  speed_jumped,       ///< value, value2: rpm before and after a mark, too far apart to be one engine
  evidence_thin,      ///< value: probability of the best candidate
  two_candidates,     ///< cylinder and value: both fit
  unplug_next,        ///< cylinder: unplugging it next would settle it
  // What speaks for the answer:
  phase_lost,         ///< value: take in which the beat could not be followed through the change
  trigger_used,       ///< value: take whose phase comes from its trigger channel
  trigger_every_turn, ///< value: take whose trigger comes twice a cycle: wasted spark
  gap_distance,       ///< cylinder unplugged; value: positions from the old gap to the new, of value2
  nothing_missing,    ///< value: probability that no cylinder was missing before
  same_cylinder,      ///< cylinder: unplugging it changed nothing
  intermittent,       ///< cylinder; value: about this share of its events is missing
};

/// Contract word: "no_engine", ...
[[nodiscard]] std::string_view to_string(LocateReasonCode code);

struct LocateReason {
  LocateReasonCode code;
  int cylinder = 0;
  double value = 0.0;
  double value2 = 0.0;
};

struct Candidate {
  int cylinder = 0;  ///< 0: none is dead
  double probability = 0.0;
};

struct Location {
  bool answered = false;
  std::vector<Candidate> candidates;  ///< those above 5 %, best first; empty: none is dead
  bool phase_kept = false;            ///< every take kept its phase through the change
  std::vector<LocateReason> reasons;
};

/// Names the dead cylinder from takes in which known-good cylinders were unplugged.
///
/// A take with a change inside keeps the cycle phase: the distance in firing positions from the old
/// gap to the new one, with the firing order, names the dead cylinder. A take without a change
/// inside leaves the turn of the numbering open: two candidates an unplugging, joined over several.
Location locate(const Engine& engine, std::span<const LocateTake> takes);

}  // namespace pipebeat
