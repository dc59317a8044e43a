// Several channels of one recording, and the choice of the one to judge.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// One listener a channel for the first 15 s; after that only the channel with the most beat is
/// heard on. The choice depends on the samples only, never on how they were cut into blocks.
class Ears {
 public:
  /// `channels`: samples per frame, at least 1; of very many the first 64 are compared.
  /// `only`: 1-based, listens to that channel alone; it must be there.
  /// Errors: those of Listener::create.
  static Result<Ears> create(const Engine& engine, Hertz sample_rate, int channels,
                             std::optional<int> only, const ListenerOptions& options = {});

  /// Takes whole frames, interleaved, full scale +-1.
  void push(std::span<const float> interleaved);

  /// The listener of the channel with the most beat so far.
  [[nodiscard]] const Listener& best() const;
  /// Its channel, 1-based.
  [[nodiscard]] int best_channel() const;
  /// Gives that listener away; nothing may be pushed any more, but `best_channel` stays.
  Listener take_best();

 private:
  struct Ear {
    int channel;  // 0-based
    Listener listener;
  };
  Ears(std::vector<Ear> ears, int channels, std::size_t compared_frames);
  void keep_best();
  [[nodiscard]] std::size_t loudest_beat() const;

  std::vector<Ear> ears_;
  std::size_t channels_;
  std::size_t compared_frames_;
  std::size_t frames_ = 0;
  std::vector<float> mono_;
};

}  // namespace pipebeat::core
