// A take while it is made: sound from the queue goes to the disk first, then to the listener.
#pragma once

#include <atomic>
#include <condition_variable>
#include <cstdint>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "audio/sample_queue.hpp"
#include "audio/take_writer.hpp"
#include "core/last_seconds.hpp"
#include "core/microphone_check.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::cli {

/// What was last made of the sound.
struct Judged {
  std::int64_t number = 0;  ///< counts up with every judgement; 0: none yet
  double heard_s = 0.0;     ///< seconds of sound behind `last_seconds`
  Finding whole;            ///< on the whole take; judged less often as it grows
  core::LastSecondsSay last_seconds;
  std::vector<core::MicrophoneRemark> remarks;  ///< what is wrong with the sound right now
};

/// Loudness since it was last asked for.
struct Loudness {
  float peak = 0.0F;      ///< 0..1
  double power = 0.0;     ///< mean square
  bool clipped = false;
};

/// Two threads behind the capture. The first empties the queue, writes the take and counts; it
/// waits for nothing but the disk. The second judges. When judging falls a minute behind, the
/// sound is still written, and what was not judged is counted.
///
/// Threads: every member may be called from the thread that made the object.
class LiveEar {
 public:
  /// `limit`: the take ends by itself after so many frames; empty: it goes on.
  LiveEar(Listener listener, audio::TakeWriter take, Hertz sample_rate,
          std::optional<FrameCount> limit);
  ~LiveEar();
  LiveEar(const LiveEar&) = delete;
  LiveEar& operator=(const LiveEar&) = delete;

  /// Where the capture pushes.
  [[nodiscard]] audio::SampleQueue& queue() { return queue_; }

  /// Remembers this moment.
  void mark(std::string text);

  /// The last judgement, when there is a later one than `number`.
  [[nodiscard]] std::optional<Judged> later_than(std::int64_t number) const;

  [[nodiscard]] Loudness loudness();
  [[nodiscard]] Seconds written() const;
  /// Sound that waits for its judgement.
  [[nodiscard]] std::int64_t backlog() const;
  /// The limit is reached.
  [[nodiscard]] bool complete() const { return complete_.load(); }
  /// The disk refused; the take ends there.
  [[nodiscard]] std::optional<Error> write_trouble() const;
  /// The last mark that could not be put beside the take.
  [[nodiscard]] std::optional<Error> mark_trouble() const;

  /// Takes in what still waits in the queue, judges the whole, closes the take. Nothing may push
  /// any more. Errors: those of TakeWriter::close, unless write_trouble() has been told already.
  Result<void> finish();

  // After finish():
  [[nodiscard]] const Judged& last() const { return judged_; }
  [[nodiscard]] const std::vector<audio::TakeMark>& marks() const { return take_.marks(); }
  /// Frames that were written and not judged, because this computer was too slow.
  [[nodiscard]] std::int64_t not_judged() const { return not_judged_; }

 private:
  void write_loop();
  void judge_loop();
  /// Returns the processor seconds that the whole took.
  double judge(std::size_t heard, bool whole);

  audio::TakeWriter take_;
  Listener listener_;
  core::MicrophoneCheck microphone_;
  double rate_;
  std::optional<std::int64_t> limit_;
  audio::SampleQueue queue_;

  std::atomic<bool> ending_{false};
  std::atomic<bool> complete_{false};
  std::atomic<std::int64_t> written_{0};

  mutable std::mutex mutex_;  ///< guards what follows; the device's thread never takes it
  std::condition_variable more_;
  std::vector<float> waiting_;
  bool written_out_ = false;
  std::int64_t not_judged_ = 0;
  std::vector<std::string> new_marks_;
  std::optional<Error> write_trouble_;
  std::optional<Error> mark_trouble_;
  Judged judged_;
  float peak_ = 0.0F;
  double energy_ = 0.0;
  std::int64_t measured_ = 0;
  bool clipped_ = false;

  core::LastSeconds last_seconds_;  // of the judging thread only

  std::thread writer_;
  std::thread judge_;
};

}  // namespace pipebeat::cli
