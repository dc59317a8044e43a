#include "core/drop_guide.hpp"

#include <algorithm>
#include <cmath>

#include "core/signature.hpp"

namespace pipebeat::core {

namespace {

constexpr double settle_s = 1.2;   // after an act; the same as when the take is judged
constexpr double steady = 0.08;    // highest less lowest speed, of the mean
constexpr double longest_s = 9.0;  // unburnt fuel goes into the catalyst meanwhile
constexpr double longest_all_in_s = 15.0;
constexpr double least_drop = 0.02;  // of the speed, that an unplugging must cost to tell by
constexpr double plain_drop = 0.05;  // that tells by itself

double rpm_of(const Finding& f) { return f.speed ? f.speed->mean.value() : 0.0; }

}  // namespace

DropGuide::DropGuide(const Engine& engine) : engine_{engine} {
  for (const FiringPosition& p : engine.positions()) cylinders_.push_back(p.cylinder);
  std::sort(cylinders_.begin(), cylinders_.end());
}

void DropGuide::next_cylinder() {
  off_since_.reset();
  ++at_;
  step_ = at_ < cylinders_.size() ? DropStep::unplug : DropStep::done;
}

bool DropGuide::sounds_still_off(const Finding& now) const {
  const double drop = rpm_of(all_in_) - rpm_of(off_);
  int votes = 0;
  if (drop > least_drop * rpm_of(all_in_)) {
    const int weight = drop > plain_drop * rpm_of(all_in_) ? 2 : 1;
    votes += rpm_of(all_in_) - rpm_of(now) > 0.6 * drop ? weight : -weight;
  }
  const Difference to_off = difference(engine_, off_, now);
  const Difference to_all_in = difference(engine_, all_in_, now);
  const Difference heard = difference(engine_, all_in_, off_);
  // Only where the unplugging itself was plain to hear does the way back mean anything.
  const auto nearer = [&](const std::optional<double>& off, const std::optional<double>& in,
                          const std::optional<double>& between) {
    if (!off || !in || !between || std::max(*off, *in) < 0.7 * *between) return 0;
    return *off < 0.6 * *in ? 1 : *in < 0.6 * *off ? -1 : 0;
  };
  votes += nearer(to_off.lines_db, to_all_in.lines_db, heard.lines_db);
  votes += nearer(to_off.levels, to_all_in.levels, heard.levels);
  return votes >= 2;
}

void DropGuide::heard(Seconds now, const Finding& recent) {
  const double waited = now.value() - since_.value();
  const bool waiting = step_ == DropStep::hear_all_in || step_ == DropStep::hear_off || step_ == DropStep::check_back;
  engine_lost_ = !recent.speed;
  if (!waiting || waited < settle_s + recent.duration.value() || recent.duration.value() <= 0.0) return;
  const bool settled = recent.speed && recent.speed->max.value() - recent.speed->min.value() < steady * rpm_of(recent);
  if (step_ == DropStep::hear_all_in) {
    if (!recent.speed || (!settled && waited < longest_all_in_s)) return;
    all_in_ = recent;
    step_ = DropStep::unplug;
  } else if (step_ == DropStep::hear_off) {
    // A stalled engine need not be waited for.
    if (!settled && waited < longest_s) return;
    off_ = recent;
    Tried tried{cylinder(), std::nullopt};
    if (recent.speed) tried.rpm_drop = rpm_of(all_in_) - rpm_of(recent);
    tried_.push_back(tried);
    step_ = DropStep::plug_back;
  } else {
    if (!recent.speed || (!settled && waited < longest_s)) return;
    if (off_.speed && sounds_still_off(recent)) {
      step_ = DropStep::still_off;
    } else {
      all_in_ = recent;  // idle wanders as the engine warms
      next_cylinder();
    }
  }
}

std::vector<std::string> DropGuide::confirm(Seconds now) {
  const std::string number = std::to_string(cylinder());
  switch (step_) {
    case DropStep::read_caution:
      since_ = now;
      step_ = DropStep::hear_all_in;
      return {};
    case DropStep::unplug:
      since_ = now;
      off_since_ = now;
      step_ = DropStep::hear_off;
      return {"off " + number};
    case DropStep::plug_back:
      since_ = now;
      step_ = DropStep::check_back;
      return {"on"};
    case DropStep::still_off:
      since_ = now;
      step_ = DropStep::check_back;
      return {"still off " + number, "on"};
    case DropStep::hear_all_in:
    case DropStep::hear_off:
    case DropStep::check_back:
    case DropStep::done: break;
  }
  return {};
}

void DropGuide::insist() {
  if (step_ == DropStep::still_off) next_cylinder();
}

void DropGuide::skip() {
  if (step_ == DropStep::unplug) next_cylinder();
}

}  // namespace pipebeat::core
