// What stands on a job card, in the terms of the table of likelihoods.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "job/table.hpp"
#include "pipebeat/job.hpp"

namespace pipebeat::job {

/// One observation: a reading of the table and what came out. Usually one alternative of weight 1;
/// an unsure one has several, adding up to 1.
struct Piece {
  struct Alternative {
    int outcome;    ///< index in the reading's outcomes
    int cylinder;   ///< of a naming reading; 0: names none
    double weight;  ///< probability that this is what came out
  };
  std::size_t reading;  ///< index in the table
  int cylinder;         ///< where it was read; 0: the engine
  std::vector<Alternative> alternatives;
  std::string words;   ///< as the account of a cause lists it
  double voice = 1.0;  ///< exponent of its likelihood: less than 1 when others of its group speak
                       ///< of the same thing
};

struct Evidence {
  std::vector<Piece> pieces;
  bool after_work = false;                  ///< work was done, and everything counted came after it
  std::vector<std::string> contradictions;  ///< readings taken twice that differ
  std::vector<std::string> remarks;         ///< what was left out and why
};

/// Gathers what was read and heard since the last work on the engine, the latest of each kind and
/// cylinder. A finding with confidence c counts as c of its own outcome and 1 - c of the others;
/// findings are the JSON of our own commands in a file that may have been edited, so what does not
/// fit is passed over. Readings the table does not know have no piece.
[[nodiscard]] Evidence gather_evidence(const JobCard& card, const Table& table);

}  // namespace pipebeat::job
