#include "core/last_seconds.hpp"

#include <utility>

namespace pipebeat::core {

std::optional<Finding> SteadyVerdict::instead_of(const Finding& look, bool changed) {
  if (look.verdict == Verdict::unclear) {
    said_.reset();
    return std::nullopt;
  }
  doubted_ = said_ && look.verdict != said_->verdict && !changed && !doubted_;
  if (doubted_) return said_;
  said_ = look;
  return std::nullopt;
}

/// The last seconds, with the speed searched for near the last answer's where that is enough.
Finding LastSeconds::hear_recent(const Listener& listener, double heard_s) {
  // So often it is searched for everywhere, lest it stay wrong.
  constexpr double search_every_s = 4.0;
  const auto is_clear = [&](const Finding& f) {
    near_.reset();
    if (!f.speed || f.verdict == Verdict::unclear) return false;
    near_ = f.speed->mean;
    clear_s_ = heard_s;
    return true;
  };
  if (near_ && heard_s - searched_s_ < search_every_s) {
    Finding recent = listener.recent(length, near_);
    if (is_clear(recent)) return recent;
  }
  Finding recent = listener.recent(length);
  searched_s_ = heard_s;
  static_cast<void>(is_clear(recent));
  return recent;
}

/// Keeps what was found. The same change is found again while both sides of it are in the window.
void LastSeconds::note_change(double heard_s, const std::optional<PulseChange>& found) {
  constexpr double same_s = 0.5;
  constexpr double new_for_s = 15.0;
  const bool known = found && change_ && found->time_s < change_->time_s + same_s;
  if (found && !known) {
    change_ = found;
    change_found_s_ = heard_s;
  }
  if (change_ && heard_s - change_->time_s > new_for_s) change_.reset();
}

LastSecondsSay LastSeconds::judge(const Listener& listener, double heard_s) {
  // Only an engine that was plain to hear can change; one that just starts does so all the time.
  constexpr double lately_s = 3.0;
  constexpr double judgeable_s = 1.6;  // seconds that can be judged by themselves
  constexpr double just_s = 3.0;       // a change is believed at once for so long
  const bool plain_before = heard_s - clear_s_ < lately_s;
  LastSecondsSay say{hear_recent(listener, heard_s), {}, {}, {}, 0.0};
  if (plain_before) note_change(heard_s, say.recent.change);
  if (change_) {
    const double since_s = heard_s - change_->time_s;
    if (since_s >= judgeable_s && since_s < length.value()) {
      Finding f = listener.recent(Seconds{since_s}, near_);
      note_change(heard_s, f.change);
      if (f.verdict != Verdict::unclear) say.after = std::move(f);
    }
  }
  say.change = change_;
  if (change_) say.change_ago_s = heard_s - change_->time_s;
  say.held = steady_.instead_of(say.look(), heard_s - change_found_s_ <= just_s);
  return say;
}

}  // namespace pipebeat::core
