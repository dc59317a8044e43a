// Leading somebody through a cylinder drop test: what to do next, and whether it was done.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::core {

enum class DropStep {
  read_caution,   ///< confirm: read it
  hear_all_in,    ///< wait: everything plugged in
  unplug,         ///< confirm: `cylinder` is off
  hear_off,       ///< wait
  plug_back,      ///< confirm: it is back
  check_back,     ///< wait
  still_off,      ///< it sounds as if it were not: confirm again, or insist
  done,
};

/// State machine of the guided test. Time is that of the take; nothing here reads a clock.
class DropGuide {
 public:
  /// Goes through the cylinders that the pipe hears, by number.
  explicit DropGuide(const Engine& engine);

  /// The last seconds as they were heard up to `now`. Waiting ends once they lie wholly after the last
  /// act and the speed is steady, or after a while.
  void heard(Seconds now, const Finding& recent);

  /// The user did what was asked. Returns the marks that belong there: "off 3", "on"; "still off 3" takes
  /// the "on" before it back.
  std::vector<std::string> confirm(Seconds now);
  /// The user says that the cylinder is back all the same.
  void insist();
  /// Leaves the cylinder out that should be unplugged.
  void skip();

  [[nodiscard]] DropStep step() const { return step_; }
  [[nodiscard]] int cylinder() const { return at_ < cylinders_.size() ? cylinders_[at_] : 0; }
  /// When it was taken off, while it is off.
  [[nodiscard]] std::optional<Seconds> off_since() const { return off_since_; }
  /// No running engine was heard in the last seconds.
  [[nodiscard]] bool engine_lost() const { return engine_lost_; }

  struct Tried {
    int cylinder;
    std::optional<double> rpm_drop;  ///< rough, from the last seconds
  };
  [[nodiscard]] const std::vector<Tried>& tried() const { return tried_; }

 private:
  void next_cylinder();
  [[nodiscard]] bool sounds_still_off(const Finding& now) const;

  Engine engine_;
  std::vector<int> cylinders_;
  std::size_t at_ = 0;
  DropStep step_ = DropStep::read_caution;
  Seconds since_{0.0};  // last act
  std::optional<Seconds> off_since_;
  bool engine_lost_ = false;
  Finding all_in_;
  Finding off_;
  std::vector<Tried> tried_;
};

}  // namespace pipebeat::core
