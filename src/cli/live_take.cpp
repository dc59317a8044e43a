#include "cli/live_take.hpp"

#include <fmt/format.h>
#include <signal.h>
#include <unistd.h>

#include <atomic>
#include <cmath>

#include "cli/command.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

/// A device that delivers nothing for so long is gone, whatever its driver says.
constexpr auto device_patience = 3s;

std::atomic<bool> stop_asked{false};
static_assert(std::atomic<bool>::is_always_lock_free, "set from a signal handler");

void ask_to_stop(int /*signal*/) { stop_asked = true; }

}  // namespace

void take_over_signals() {
  stop_asked = false;
  struct sigaction stop {};
  stop.sa_handler = ask_to_stop;
  for (const int number : {SIGINT, SIGTERM, SIGHUP}) ::sigaction(number, &stop, nullptr);
  struct sigaction ignore {};
  ignore.sa_handler = SIG_IGN;
  for (const int number : {SIGPIPE, SIGXFSZ}) ::sigaction(number, &ignore, nullptr);
}

bool asked_to_stop() { return stop_asked; }

std::optional<Error> DeviceWatch::trouble() {
  const std::int64_t seen = capture_.frames_seen();
  const auto now = Clock::now();
  if (seen != seen_) {
    seen_ = seen;
    moved_ = now;
  }
  if (capture_.alive() && now - moved_ < device_patience) return std::nullopt;
  return Error{ErrorCode::device, fmt::format("{}: the device delivers no more sound", capture_.device().name),
               "check the plug and start again; the take so far is kept"};
}

std::optional<Ended> over(const LiveEar& ear, DeviceWatch& watch) {
  if (auto trouble = ear.write_trouble()) return Ended{std::move(trouble)};
  if (asked_to_stop() || ear.complete()) return Ended{};
  if (auto trouble = watch.trouble()) return Ended{std::move(trouble)};
  return std::nullopt;
}

Result<LiveTake> open_take(const Engine& engine, const audio::CaptureOptions& microphone,
                           const ListenerOptions& listening, const std::string& save, const std::string& job,
                           std::optional<Seconds> longest) {
  auto capture = audio::Capture::open(microphone);
  if (!capture) return tl::unexpected(capture.error());
  const Hertz rate = capture->sample_rate();
  auto listener = Listener::create(engine, rate, listening);
  if (!listener) return tl::unexpected(listener.error());
  LiveTake take;
  take.path = !save.empty()  ? save
              : job.empty() ? audio::dated_take_name("")
                            : audio::dated_take_name(job + "/recordings");
  auto writer = audio::TakeWriter::create(take.path, rate);
  if (!writer) return tl::unexpected(writer.error());
  std::optional<FrameCount> limit;
  if (longest) limit = FrameCount{std::llround(longest->value() * rate.value())};
  take.capture = std::make_unique<audio::Capture>(std::move(*capture));
  take.ear = std::make_unique<LiveEar>(std::move(*listener), std::move(*writer), rate, limit);
  return take;
}

bool close_take(LiveTake& take, Ended& ended) {
  take.capture->stop();
  if (auto closed = take.ear->finish(); !closed && !ended.trouble) ended.trouble = closed.error();
  if (!ended.trouble || take.ear->written() > Seconds{0.0}) return true;
  ::unlink(take.path.c_str());
  return false;
}

void tell_take(const LiveTake& take) {
  const double rate = take.capture->sample_rate().value();
  std::string marks;
  for (const audio::TakeMark& m : take.ear->marks()) {
    marks += fmt::format("{}{:.1f} s {}", marks.empty() ? "; marks: " : ", ", static_cast<double>(m.frame) / rate,
                         m.text);
  }
  tell("Kept: ", fmt::format("{} ({:.1f} s{})", show::one_line(take.path), take.ear->written().value(), marks));
  const std::int64_t dropped = take.ear->queue().dropped();
  if (dropped > 0 || take.capture->gaps() > 0) {
    tell("Lost: ", fmt::format("{} samples here, and {} gaps reported by the device; close other programs", dropped,
                               take.capture->gaps()));
  }
  if (take.ear->not_judged() > 0) {
    tell("", fmt::format("This computer is too slow: {:.1f} s of the take were kept but not judged; use pipebeat check on it",
                         static_cast<double>(take.ear->not_judged()) / rate));
  }
}

double decibels(double power) { return 10.0 * std::log10(power + 1e-12); }

}  // namespace pipebeat::cli
