#include "cli/live_ear.hpp"

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <ctime>

namespace pipebeat::cli {

namespace {

using namespace std::chrono_literals;

constexpr auto write_pause = 50ms;  // the queue holds ten seconds
constexpr double queue_s = 10.0;    // what the disk may keep us waiting
constexpr double backlog_s = 60.0;  // what judging may lag behind
constexpr double full_scale = 0.999;

constexpr double step_s = 0.75;
// Where something begins to sound, a first answer is wanted sooner.
constexpr double quick_step_s = 0.25;
constexpr double quick_for_s = 3.0;
constexpr double louder = 4.0;  // power, over what it usually was
// Judging the whole costs more the longer it is; it may use this share of a core.
constexpr double whole_share = 0.005;

std::size_t samples(double seconds, double rate) {
  return static_cast<std::size_t>(std::lround(seconds * rate));
}

/// Processor time of this thread.
double busy_s() {
  std::timespec t{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) + 1e-9 * static_cast<double>(t.tv_nsec);
}

}  // namespace

LiveEar::LiveEar(Listener listener, audio::TakeWriter take, Hertz sample_rate,
                 std::optional<FrameCount> limit)
    : take_{std::move(take)},
      listener_{std::move(listener)},
      microphone_{sample_rate},
      rate_{sample_rate.value()},
      queue_{samples(queue_s, sample_rate.value())} {
  if (limit) limit_ = limit->value();
  writer_ = std::thread{[this] { write_loop(); }};
  judge_ = std::thread{[this] { judge_loop(); }};
}

LiveEar::~LiveEar() {
  ending_ = true;
  if (writer_.joinable()) writer_.join();
  if (judge_.joinable()) judge_.join();
}

void LiveEar::mark(std::string text) {
  const std::lock_guard lock{mutex_};
  new_marks_.push_back(std::move(text));
}

std::optional<Judged> LiveEar::later_than(std::int64_t number) const {
  const std::lock_guard lock{mutex_};
  if (judged_.number <= number) return std::nullopt;
  return judged_;
}

Loudness LiveEar::loudness() {
  const std::lock_guard lock{mutex_};
  const Loudness now{peak_, measured_ > 0 ? energy_ / static_cast<double>(measured_) : 0.0,
                     clipped_};
  peak_ = 0.0F;
  energy_ = 0.0;
  measured_ = 0;
  clipped_ = false;
  return now;
}

Seconds LiveEar::written() const {
  return Seconds{static_cast<double>(written_.load()) / rate_};
}

std::int64_t LiveEar::backlog() const {
  const std::lock_guard lock{mutex_};
  return static_cast<std::int64_t>(waiting_.size());
}

std::optional<Error> LiveEar::write_trouble() const {
  const std::lock_guard lock{mutex_};
  return write_trouble_;
}

std::optional<Error> LiveEar::mark_trouble() const {
  const std::lock_guard lock{mutex_};
  return mark_trouble_;
}

void LiveEar::write_loop() {
  std::array<float, 16384> block;
  for (;;) {
    const bool ending = ending_.load();  // before the queue is looked at: nothing pushes after it
    std::size_t count = queue_.pop(block);
    std::vector<std::string> marks;
    {
      const std::lock_guard lock{mutex_};
      marks.swap(new_marks_);
    }
    for (std::string& text : marks) {
      if (auto kept = take_.mark(std::move(text)); !kept) {
        const std::lock_guard lock{mutex_};
        mark_trouble_ = kept.error();
      }
    }
    if (count == 0) {
      if (ending) break;
      std::this_thread::sleep_for(write_pause);
      continue;
    }
    if (complete_) continue;
    if (limit_) {
      const std::int64_t left = *limit_ - take_.frames().value();
      if (static_cast<std::int64_t>(count) >= left) {
        count = static_cast<std::size_t>(left);
        complete_ = true;
      }
    }
    const std::span<const float> sound{block.data(), count};
    if (auto kept = take_.write(sound); !kept) {
      complete_ = true;
      const std::lock_guard lock{mutex_};
      write_trouble_ = kept.error();
    }
    written_ = take_.frames().value();

    float peak = 0.0F;
    double energy = 0.0;
    for (const float v : sound) {
      peak = std::max(peak, std::abs(v));
      energy += static_cast<double>(v) * static_cast<double>(v);
    }
    {
      const std::lock_guard lock{mutex_};
      peak_ = std::max(peak_, peak);
      energy_ += energy;
      measured_ += static_cast<std::int64_t>(count);
      clipped_ = clipped_ || peak >= full_scale;
      if (waiting_.size() + count <= samples(backlog_s, rate_)) {
        waiting_.insert(waiting_.end(), sound.begin(), sound.end());
      } else {
        not_judged_ += static_cast<std::int64_t>(count);
      }
    }
    more_.notify_one();
  }
  {
    const std::lock_guard lock{mutex_};
    written_out_ = true;
  }
  more_.notify_one();
}

double LiveEar::judge(std::size_t heard, bool whole) {
  const double now_s = static_cast<double>(heard) / rate_;
  core::LastSecondsSay last = last_seconds_.judge(listener_, now_s);
  std::optional<Finding> all;
  const double begin = busy_s();
  if (whole) all = listener_.finding();
  const double cost_s = busy_s() - begin;
  std::vector<core::MicrophoneRemark> remarks = microphone_.remarks();
  const std::lock_guard lock{mutex_};
  ++judged_.number;
  judged_.heard_s = now_s;
  judged_.last_seconds = std::move(last);
  if (all) judged_.whole = std::move(*all);
  judged_.remarks = std::move(remarks);
  return cost_s;
}

void LiveEar::judge_loop() {
  std::vector<float> sound;
  std::size_t heard = 0;
  std::size_t due = samples(step_s, rate_);
  std::size_t whole_due = 0;
  std::size_t quick_until = 0;
  double usual_power = 0.0;  // while no engine is heard
  double energy = 0.0;       // since the last step
  std::size_t summed = 0;
  for (bool last = false; !last;) {
    {
      std::unique_lock lock{mutex_};
      more_.wait(lock, [this] { return !waiting_.empty() || written_out_; });
      sound.clear();
      sound.swap(waiting_);
      last = written_out_ && sound.empty();
    }
    // Judgements fall on the same samples however the sound arrives; those that a slow computer
    // is too late for are left out.
    std::span<const float> rest{sound};
    while (!rest.empty()) {
      const std::size_t part = std::min(rest.size(), due - heard);
      listener_.push(rest.first(part));
      microphone_.push(rest.first(part));
      for (const float v : rest.first(part)) energy += static_cast<double>(v) * static_cast<double>(v);
      summed += part;
      rest = rest.subspan(part);
      heard += part;
      if (heard < due) continue;
      const double power = energy / static_cast<double>(summed);
      energy = 0.0;
      summed = 0;
      if (!last_seconds_.is_clear() && power > louder * usual_power) quick_until = heard + samples(quick_for_s, rate_);
      constexpr double share = 0.2;  // of what is new in the usual
      usual_power += share * (power - usual_power);
      due += samples(!last_seconds_.is_clear() && heard < quick_until ? quick_step_s : step_s, rate_);
      if (rest.size() > samples(2.0 * step_s, rate_)) continue;
      const bool whole = heard >= whole_due;
      const double cost_s = judge(heard, whole);
      if (whole) whole_due = heard + samples(cost_s / whole_share, rate_);
    }
  }
  judge(heard, true);
}

Result<void> LiveEar::finish() {
  ending_ = true;
  writer_.join();
  judge_.join();
  auto closed = take_.close();
  if (write_trouble_) return {};
  return closed;
}

}  // namespace pipebeat::cli
