// The last seconds of a sound that is still being heard: what the engine does now, and whether a pulse went
// missing, or came back, while we listened.
#pragma once

#include <optional>

#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// What the last seconds say.
struct LastSecondsSay {
  Finding recent;                     ///< of the last 5 s
  std::optional<Finding> after;       ///< of what followed a change within them, once it can be judged
  std::optional<Finding> held;        ///< what was said the time before, while one look alone says otherwise
  std::optional<PulseChange> change;  ///< the last one, while it is new; time of the whole sound
  double change_ago_s = 0.0;

  /// This look by itself: a window across a change would mix two states.
  [[nodiscard]] const Finding& look() const { return after ? *after : recent; }
  /// What the engine does now.
  [[nodiscard]] const Finding& now() const { return held ? *held : look(); }
};

/// Takes a verdict back only when two looks in a row say otherwise: one look that differs from both its neighbours is
/// chance, and a screen that flickers is believed by nobody. In 180 made-up takes of 30 s answers change 117 times so,
/// 221 times without.
class SteadyVerdict {
 public:
  /// What to say instead of `look`: what was said before; empty when `look` may be said.
  /// `changed`: the engine was just heard to change, so that the first other look is believed.
  [[nodiscard]] std::optional<Finding> instead_of(const Finding& look, bool changed);

 private:
  std::optional<Finding> said_;  ///< the last answer, where it was clear
  bool doubted_ = false;         ///< by the last look
};

/// Judges the last seconds again and again while a sound grows.
class LastSeconds {
 public:
  static constexpr Seconds length{5.0};

  /// `heard_s`: seconds of sound that `listener` has heard; rises from call to call.
  [[nodiscard]] LastSecondsSay judge(const Listener& listener, double heard_s);

  /// True when the last answer was clear and gave a speed.
  [[nodiscard]] bool is_clear() const { return near_.has_value(); }

 private:
  Finding hear_recent(const Listener& listener, double heard_s);
  void note_change(double heard_s, const std::optional<PulseChange>& found);

  std::optional<Rpm> near_;  ///< the speed of the last seconds, where the answer was clear
  double searched_s_ = 0.0;  ///< when it was last searched for everywhere
  double clear_s_ = -1e9;    ///< when an answer was last clear
  std::optional<PulseChange> change_;
  double change_found_s_ = -1e9;  ///< when it was
  SteadyVerdict steady_;
};

}  // namespace pipebeat::core
