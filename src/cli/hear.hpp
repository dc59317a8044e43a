// A recording through the listener: from a file name to a finding.
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "cli/engine_options.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::cli {

struct HearOptions {
  ListenerOptions listener;
  std::optional<int> channel;  ///< 1-based; empty: the one with the most beat
  bool progress = false;       ///< a bar on standard error for long files
  double from_s = 0.0;         ///< only this stretch is heard
  double to_s = std::numeric_limits<double>::infinity();
};

/// How a command hears recordings: its channel, its speed guess, a bar where a person looks on.
/// Errors: those of EngineOptions::speed_guess.
Result<HearOptions> hear_options(const EngineOptions& engine, std::optional<int> channel);

/// A recording that was heard to its end.
struct Heard {
  Listener listener;       ///< of the channel chosen
  int channel = 1;         ///< 1-based
  bool broke_off = false;  ///< the file is damaged after what was heard
};

/// Reads a recording ("-": standard input) and listens to it.
///
/// Of several channels each is heard for 15 s, then only the one with the most beat goes on; memory
/// is bounded whatever the length. Without `channel` the first 64 are considered.
/// Errors: those of AudioReader::open and Listener::create, and bad_argument for a channel that the
/// recording hasn't got; `what` starts with the file's name.
Result<Heard> hear(const std::string& path, const Engine& engine, const HearOptions& options);

/// True for a speed that is close to a simple multiple or part of another of the same engine: one of
/// the two may have been found wrongly.
[[nodiscard]] bool is_multiple(Rpm speed, Rpm of);

/// `hear`, near a speed that another recording of the same engine tells. "-" can't be read again.
Result<Heard> hear_near(const std::string& path, const Engine& engine, HearOptions options, Rpm speed);

/// A recording among others that must differ from it.
struct HeardBefore {
  std::string path;
  HeardCycles cycles;
};

/// Errors: bad_argument when a recording is one of those heard before, the same file, a copy or a cut of it: an
/// unplugging that was never recorded changes nothing, and would be told as a dead cylinder. Else it joins them.
Result<void> expect_another(const std::string& path, const Listener& listener, std::vector<HeardBefore>& before);

/// What a healthy recording of the same engine teaches.
/// Errors: those of hear, and bad_argument when no engine is heard in it.
Result<KnownGood> learn(const std::string& path, const Engine& engine, const HearOptions& options);

}  // namespace pipebeat::cli
