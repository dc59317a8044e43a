// Sound from a microphone, through PortAudio.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "audio/sample_queue.hpp"
#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::audio {

/// A device that can record.
struct InputDevice {
  int number = 0;  ///< as the user may give it; stable while nothing is plugged in or out
  std::string name;
  std::string host_api;  ///< "ALSA", "JACK Audio Connection Kit", ...
  int channels = 0;      ///< at most
  Hertz default_rate;
  Seconds latency;       ///< what the device promises at its most comfortable setting
};

/// The devices that can record, and the one that is used when nobody names one.
struct InputDevices {
  std::vector<InputDevice> all;
  std::optional<int> preferred;  ///< an InputDevice::number; empty when there is no device
  std::string why;               ///< why that one, as the end of a sentence
};

/// Errors: device, when the sound system does not start. Having no device is no error here.
Result<InputDevices> input_devices();

struct CaptureOptions {
  std::string device;          ///< number, name or part of a name; empty: the preferred one
  std::optional<Hertz> rate;   ///< empty: the device's own
  int channel = 1;             ///< 1-based
};

/// An open microphone. The device's thread pushes one channel into a SampleQueue and does nothing
/// else: no allocation, no lock, no printing.
///
/// Threads: one at a time, apart from the device's own.
class Capture {
 public:
  /// Opens the device, without starting it.
  /// Errors: not_found (no device at all, none of that name, several), no_permission, bad_argument
  /// (a channel or a rate that it hasn't got), device (busy, or it failed).
  static Result<Capture> open(const CaptureOptions& options);

  Capture(Capture&&) noexcept;
  Capture& operator=(Capture&&) noexcept;
  ~Capture();

  [[nodiscard]] const InputDevice& device() const;
  [[nodiscard]] Hertz sample_rate() const;

  /// Lets the sound flow into `queue`, which must outlive the capture.
  /// Errors: device.
  Result<void> start(SampleQueue& queue);

  /// False once the device has ended the stream by itself.
  [[nodiscard]] bool alive() const;

  /// Frames that have come from the device so far; one that stands still is as good as gone.
  [[nodiscard]] std::int64_t frames_seen() const;

  /// How often the device said that it lost sound before we could have it.
  [[nodiscard]] std::int64_t gaps() const;

  /// Ends the stream; the queue gets nothing more.
  void stop();

 private:
  struct State;
  explicit Capture(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace pipebeat::audio
