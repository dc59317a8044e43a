// What every live command shares: a microphone, a take on the disk, and what may end it.
#pragma once

#include <chrono>
#include <memory>
#include <optional>
#include <string>

#include "audio/capture.hpp"
#include "cli/live_ear.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/listener.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::cli {

/// Signals end the take, they don't end the process; a full disk or a reader that went away are told by
/// the calls that meet them. Forgets an earlier wish to stop.
void take_over_signals();

/// A signal asked for the end.
[[nodiscard]] bool asked_to_stop();

/// Watches the device: its stream may end, or go on without delivering anything.
class DeviceWatch {
 public:
  explicit DeviceWatch(const audio::Capture& capture) : capture_{capture} {}
  std::optional<Error> trouble();

 private:
  const audio::Capture& capture_;
  std::int64_t seen_ = 0;
  std::chrono::steady_clock::time_point moved_ = std::chrono::steady_clock::now();
};

/// How a take ended.
struct Ended {
  std::optional<Error> trouble;
  bool quietly = false;  ///< the user does not want the answer
};

/// Everything that ends a take but the user's keys.
std::optional<Ended> over(const LiveEar& ear, DeviceWatch& watch);

/// A microphone that is open, with the ear behind it.
struct LiveTake {
  std::unique_ptr<audio::Capture> capture;
  std::unique_ptr<LiveEar> ear;
  std::string path;
};

/// Opens the microphone and the file. `save`: the file; empty: a dated name, in the job's recordings if
/// there is a job. Nothing flows before `capture->start(ear->queue())`.
/// Errors: those of Capture::open, Listener::create and TakeWriter::create.
Result<LiveTake> open_take(const Engine& engine, const audio::CaptureOptions& microphone,
                           const ListenerOptions& listening, const std::string& save, const std::string& job,
                           std::optional<Seconds> longest);

/// Stops the microphone and closes the take; one in which nothing was heard is not kept.
/// Returns false when nothing was kept.
bool close_take(LiveTake& take, Ended& ended);

/// Says on standard error where the take is, its marks, and what was lost.
void tell_take(const LiveTake& take);

/// -120 for silence.
double decibels(double power);

}  // namespace pipebeat::cli
